"""Trends of one point and interval, of several records or files, as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.notes import joined_notes, with_notes, without_notes


def joined_trends(trends: Sequence[Trend]) -> Trend:
    """Trends of one point, of records in any order, in order of time; the nominal voltage is the first one's.

    Of an interval in which two records lie the one that covers more of it is kept: values of parts do not add up. What
    flags one part of it flags the interval. An event that two have counts once.
    """
    if len(trends) == 1:
        return trends[0]
    import pyarrow as pa
    import pyarrow.compute as pc

    notes = joined_notes([trend.table for trend in trends])
    whole = pa.concat_tables([without_notes(trend.table) for trend in trends], promote_options="default")
    order = pc.sort_indices(whole, sort_keys=[("start", "ascending"), ("measured", "descending")])
    whole = whole.take(order)
    starts = whole.column("start").cast(pa.int64()).to_numpy()
    first = np.diff(starts, prepend=starts[:1] - 1) != 0
    once = whole.filter(first)
    for name in ("flag", "interrupted") if once.num_rows else ():
        any_part = np.logical_or.reduceat(whole.column(name).to_numpy(), np.flatnonzero(first))
        once = once.set_column(once.column_names.index(name), name, pa.array(any_part))
    rates_hz = tuple(sorted({rate for trend in trends for rate in trend.rates_hz}))
    told = [trend.passed for trend in trends if trend.passed is not None]
    passed = tuple(sorted({one for some in told for one in some}, key=lambda one: (one.start_ns, one.kind)))
    elsewhere = {trend.voltages_of for trend in trends}
    return replace(
        trends[0], table=with_notes(once, notes), rates_hz=rates_hz, passed=passed if told else None,
        voltages_of=elsewhere.pop() if len(elsewhere) == 1 else "",
    )  # fmt: skip
