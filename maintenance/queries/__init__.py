from maintenance.queries.summary import NightlySummary, nightly_summary

__all__ = ["NightlySummary", "nightly_summary"]
