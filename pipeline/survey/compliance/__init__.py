"""Whether a site keeps its limits: each day, week and year of a trend against a profile, a verdict for each row."""

from halfcycle.pipeline.survey.compliance.judging import DrawnBound, assess, drawn_bounds, series_among, series_of
from halfcycle.pipeline.survey.compliance.periods import calendar_period_ns
from halfcycle.pipeline.survey.compliance.profile import (
    LimitProfile,
    LimitRow,
    load_limit_profile,
    needed_quantities,
)
from halfcycle.pipeline.survey.compliance.table import assessments_at, verdicts_table
from halfcycle.pipeline.survey.compliance.verdicts import (
    Assessment,
    Overall,
    Verdict,
    overall,
    told_voltage,
    worst_of_each,
)

__all__ = [
    "Assessment",
    "DrawnBound",
    "LimitProfile",
    "LimitRow",
    "Overall",
    "Verdict",
    "assess",
    "assessments_at",
    "calendar_period_ns",
    "drawn_bounds",
    "load_limit_profile",
    "needed_quantities",
    "overall",
    "series_among",
    "series_of",
    "told_voltage",
    "verdicts_table",
    "worst_of_each",
]
