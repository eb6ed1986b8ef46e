"""Limits against trends: shares by hand, verdicts only where enough was seen, and the profiles that come along."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from pipeline.errors import ConfigError
from pipeline.quantities import QUANTITIES, chosen_quantities
from pipeline.resources import resource_names
from pipeline.survey.compliance import Assessment, LimitProfile, assess, load_limit_profile, overall

START = np.datetime64("2026-03-02T00:00:00", "ns")
WEEK = 1008  # ten-minute values of a week: EN 50160, calculated


def trend(columns: dict[str, np.ndarray], *, interval_s: float = 600.0, flags: np.ndarray | None = None) -> pa.Table:
    n = len(next(iter(columns.values())))
    starts = START + (np.arange(n) * interval_s * 1e9).astype("timedelta64[ns]")
    return pa.table(
        {
            "start": pa.array(starts, pa.timestamp("ns", tz="UTC")),
            "measured": np.ones(n, np.float32),
            "flag": np.zeros(n, np.bool_) if flags is None else flags,
            **columns,
        }
    )


def profile(**row: object) -> LimitProfile:
    words = {"name": "limit", "quantity": "u_rms", "source": "s", **row}
    return LimitProfile.model_validate({"title": "t", "rows": [words]})


VOLTAGE = {"measured_as": "pct_of_nominal", "below": 90.0, "above": 110.0, "share_pct": 95.0}


def of_voltage(n_outside: int, *, n: int = WEEK, flags: np.ndarray | None = None) -> Assessment:
    values = np.full(n, 230.0)
    values[:n_outside] = 260.0
    (one,) = assess({600.0: trend({"u_rms_a": values}, flags=flags)}, profile(**VOLTAGE), nominal_voltage_v=230.0)
    return one


def test_of_a_week_fifty_intervals_may_be_outside_and_fifty_one_may_not() -> None:
    """EN 50160:2010, 4.2.2.2: 95 % of the ten-minute values of a week within ±10 %. 5 % of 1008 is 50.4."""
    kept, exceeded = of_voltage(50), of_voltage(51)
    assert (kept.verdict, exceeded.verdict) == ("kept", "exceeded")
    assert kept.share_pct == pytest.approx(100 * 958 / 1008)
    assert (kept.n, kept.n_expected, kept.series) == (WEEK, WEEK, "u_rms_a")
    assert kept.percentile == pytest.approx(100.0)
    assert exceeded.percentile == pytest.approx(100 * 260 / 230)


def test_flagged_intervals_do_not_count_and_their_number_is_stated() -> None:
    """IEC 61000-4-30 Ed. 3, 4.7: flagged values are kept, and the user decides; EN 50160 leaves them out (memory)."""
    flags = np.zeros(WEEK, np.bool_)
    flags[:30] = True
    one = of_voltage(51, flags=flags)
    assert (one.verdict, one.n, one.n_flagged) == ("kept", WEEK - 30, 30)
    assert one.share_pct == pytest.approx(100 * (WEEK - 51) / (WEEK - 30))


@pytest.mark.parametrize(("n", "verdict"), [(908, "kept"), (907, "too little data"), (1, "too little data")])
def test_there_is_no_verdict_below_nine_tenths_of_a_week(n: int, verdict: str) -> None:
    assert of_voltage(0, n=n).verdict == verdict


def test_only_the_last_period_counts() -> None:
    values = np.concatenate((np.full(WEEK, 300.0), np.full(WEEK, 230.0)))
    (one,) = assess({600.0: trend({"u_rms_a": values})}, profile(**VOLTAGE), nominal_voltage_v=230.0)
    assert (one.verdict, one.n, one.share_pct) == ("kept", WEEK, 100.0)


def test_a_quantity_that_was_not_measured_has_no_verdict_and_each_phase_has_its_own() -> None:
    (one,) = assess({600.0: trend({"thd_u_a": np.ones(WEEK)})}, profile(**VOLTAGE), nominal_voltage_v=230.0)
    assert (one.verdict, one.series) == ("not measured", "")
    assert math.isnan(one.share_pct)
    both = trend({"u_rms_a": np.full(WEEK, 230.0), "u_rms_b": np.full(WEEK, 270.0), "u_rms_a_min": np.zeros(WEEK)})
    found = assess({600.0: both}, profile(**VOLTAGE), nominal_voltage_v=230.0)
    assert [(one.series, one.verdict) for one in found] == [("u_rms_a", "kept"), ("u_rms_b", "exceeded")]
    assert overall(found) == "exceeded"


def test_harmonics_are_judged_against_their_own_fundamental_each_order_by_the_table() -> None:
    """EN 50160:2010, Table 1: h5 6 % (found)."""
    rows = {"quantity": "uh", "table": "en-50160", "measured_as": "pct_of_fundamental"}
    for share, verdict in ((5.9, "kept"), (6.1, "exceeded")):
        table = trend({"uh01_a": np.full(WEEK, 200.0), "uh05_a": np.full(WEEK, 2.0 * share)})
        by_order = {one.quantity: one for one in assess({600.0: table}, profile(**rows), nominal_voltage_v=230.0)}
        assert by_order["uh05"].verdict == verdict
        assert by_order["uh05"].percentile == pytest.approx(share)
        assert by_order["uh07"].verdict == "not measured"
        assert by_order["uh05"].bounds == "≤ 6 % of the fundamental"


@pytest.mark.parametrize("name", resource_names("configs", "limits", ".toml"))
def test_every_profile_that_comes_along_can_be_read_and_names_a_source_for_each_limit(name: str) -> None:
    found = load_limit_profile(name)
    assert all(row.source for row in found.rows)
    assert overall(assess({}, found, nominal_voltage_v=230.0)) == "too little data"


def test_figures_of_the_low_voltage_profile_that_could_be_looked_up() -> None:
    """EN 50160:2010: ±10 % for 95 % of a week, Plt 1 for 95 %, THD 8 % for 95 % (found)."""
    rows = {row.name: row for row in load_limit_profile("en-50160-lv").rows}
    voltage = rows["voltage, 95 % of a week"]
    assert (voltage.below, voltage.above, voltage.share_pct, voltage.interval_s) == (90.0, 110.0, 95.0, 600.0)
    assert (rows["flicker"].above, rows["flicker"].interval_s, rows["flicker"].share_pct) == (1.0, 7200.0, 95.0)
    assert (rows["total harmonic distortion"].above, rows["total harmonic distortion"].share_pct) == (8.0, 95.0)


def test_what_is_wrong_in_a_profile_is_said(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="en-50160-lv"):
        load_limit_profile("no such")
    path = tmp_path / "own.toml"
    for text, words in (
        ("title = 't'\nrows = []", "rows"),
        ("title = 't'\n[[rows]]\nname = 'n'\nquantity = 'u'\nabove = 1.0\nsource = 's'", "quantity 'u' is not known"),
        ("title = 't'\n[[rows]]\nname = 'n'\nquantity = 'u2'\nsource = 's'", "above, below or table"),
        ("title = 't'\n[[rows]]\nname = 'n'\nquantity = 'u2'\nabov = 1.0\nsource = 's'", "abov; .* 'above'"),
        ("title = ", "no TOML"),
    ):
        path.write_text(text)
        with pytest.raises(ConfigError, match=words):
            load_limit_profile(str(path))


def test_symbols_are_checked_with_the_nearest_known_and_families_stand_for_all_orders() -> None:
    assert [one.symbol for one in chosen_quantities(["f", "u_rms"])] == ["u_rms", "f"]
    assert len(chosen_quantities(["uh"])) == 50
    assert len(chosen_quantities([])) == len(QUANTITIES)
    with pytest.raises(ConfigError, match="'thd_u'"):
        chosen_quantities(["thdu"])
    assert all(one.source and one.meaning for one in QUANTITIES.values())
