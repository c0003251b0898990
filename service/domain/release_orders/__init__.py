"""Release orders: in which order the stops of a line come out, what each step takes, and what comes next."""

from service.domain.release_orders.following import next_step
from service.domain.release_orders.order import release_order
from service.domain.release_orders.progress import progress_of

__all__ = ["next_step", "progress_of", "release_order"]
