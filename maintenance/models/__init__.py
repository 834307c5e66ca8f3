from maintenance.models.drift import LoopDrift
from maintenance.models.jobs import Digest, JobRun, Shortage
from maintenance.models.people import Absence, Engineer
from maintenance.models.proposals import SwapNeed, SwapProposal, SwapVerdict
from maintenance.models.recalls import RangeStudy, Recall, RecallSite
from maintenance.models.requirements import Flag, Regime, RegimeRule, Requirement, Subject, TestResult
from maintenance.models.visits import Visit, VisitTask

__all__ = [
    "Absence",
    "Digest",
    "Engineer",
    "Flag",
    "JobRun",
    "LoopDrift",
    "RangeStudy",
    "Recall",
    "RecallSite",
    "Regime",
    "RegimeRule",
    "Requirement",
    "Shortage",
    "Subject",
    "SwapNeed",
    "SwapProposal",
    "SwapVerdict",
    "TestResult",
    "Visit",
    "VisitTask",
]
