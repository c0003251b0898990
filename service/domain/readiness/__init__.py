"""Readiness: is the line ready, for which purpose, and what stands in the way."""

from service.domain.checks import NotWeighed, Weighed
from service.domain.readiness.answer import NOT_WEIGHED, VERDICTS, assess, assess_plant, blockers, not_weighed
from service.domain.readiness.codes import BLOCKER_CODES, PURPOSES, BlockerCode
from service.domain.readiness.concessions import concession_problem

__all__ = [
    "BLOCKER_CODES",
    "NOT_WEIGHED",
    "PURPOSES",
    "VERDICTS",
    "BlockerCode",
    "NotWeighed",
    "Weighed",
    "assess",
    "assess_plant",
    "blockers",
    "concession_problem",
    "not_weighed",
]
