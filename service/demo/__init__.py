"""The demonstration: an invented plant with five lines, filled by the service's own use cases."""

from service.demo.scenario import fill, is_served

__all__ = ["fill", "is_served"]
