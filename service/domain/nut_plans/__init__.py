"""Nut plans: from a request, a hanger record and the stored facts to a plan document."""

from service.domain.nut_plans.plan import plan_nut

__all__ = ["plan_nut"]
