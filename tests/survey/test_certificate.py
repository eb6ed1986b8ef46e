"""What a trend's certificate says, and that a trend that was written gives the verdicts of its waveforms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_fleet import halfcycle
from survey.test_measure import START_NS, made

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.quantities import QUANTITIES, chosen_quantities
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.survey.certificate import certified_quantities, listed_sources, quantity_of_column
from halfcycle.pipeline.survey.coarser import coarser
from halfcycle.pipeline.survey.files import measure_files
from halfcycle.pipeline.survey.measure import Survey, Trend
from halfcycle.pipeline.survey.stored import certificates_at, read_trends
from halfcycle.pipeline.trend_table import Certificate, CertifiedQuantity, certificates_as_toml, certificates_of
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

SOURCE = "derived: what was put in comes out; a mean of squares is the sum of squares over how many they are"


def trend(n: int, interval_s: float, **columns: np.ndarray) -> Trend:
    starts = START_NS // 10**12 * 10**12 + np.arange(n) * round(interval_s * 1e9)
    leading = {
        "start": pa.array(starts, pa.timestamp("ns", tz="UTC")),
        "measured": columns.pop("measured", np.ones(n, np.float32)),
        "flag": columns.pop("flag", np.zeros(n, np.bool_)),
        "interrupted": np.zeros(n, np.bool_),
    }
    return Trend(pa.table(leading | columns), 230.0, "declared")


@pytest.mark.parametrize("symbol", ["u_rms", "uh25", "f", "p_total", "energy_in", "u_half_min", "u_dev"])
@pytest.mark.parametrize("phase", ["", "_a", "_bc"])
@pytest.mark.parametrize("ending", ["", "_min", "_max"])
def test_a_column_leads_back_to_its_quantity(symbol: str, phase: str, ending: str) -> None:
    assert quantity_of_column(f"{symbol}{phase}{ending}") is QUANTITIES[symbol]
    assert quantity_of_column(f"{symbol}{phase}{ending}_more") is None


def test_a_certificate_comes_back_from_its_text_as_it_was() -> None:
    quantity = CertifiedQuantity("thd_u", "%", ("thd_u_a",), orders="2-25", reason='say "why" \x7f', lamp="230 V\n")
    one = Certificate(
        'Mühle "7"', "", "recorded by the instrument", 60.0, 230.0, "declared", thresholds={"sag_pu": 0.9},
        phases=("A", "B"), sources=("ab x.csv",), n_sources=1, quantities=(quantity,),
    )  # fmt: skip
    bare = Certificate("x", "p", "measured from waveforms", 600.0)
    assert certificates_of(certificates_as_toml([one, bare])) == (one, bare)
    with pytest.raises(ValueError, match="no certificates"):
        certificates_of("a = 1")


def test_the_sources_of_a_certificate_are_the_digests_of_the_files_and_of_many_one_over_all(tmp_path: Path) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    found = measure_files([tmp_path], Survey(chosen_quantities(["u_rms"]), 10.0, nominal_voltage_v=230.0))
    (one,) = found.certified
    assert one.certificate.sources == (f"{source_digest(tmp_path / 'a.parquet')} a.parquet",)
    assert (one.certificate.nominal_voltage_v, one.certificate.nominal_kind) == (230.0, "declared")
    assert (one.certificate.hookup, one.certificate.phases) == ("four-wire", ("A", "B", "C"))
    many = [(f"{k}.cfg", f"{k:032x}") for k in range(300)]
    assert listed_sources(many) == listed_sources(many[::-1])
    assert "all 300 files" in listed_sources(many)[0]


@pytest.mark.parametrize("ending", ["parquet", "csv"])
@pytest.mark.long
def test_a_written_trend_gives_the_verdicts_of_its_waveforms_once_these_are_gone(tmp_path: Path, ending: str) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    out, limits = tmp_path / f"t.{ending}", ("--limits", "en-50160-lv", "--nominal-voltage", "230")
    done = halfcycle("measure", tmp_path / "a.parquet", "--out", out, *limits, "--verdicts", tmp_path / "v1.csv")
    assert done.returncode == 0, done.stderr
    (tmp_path / "a.parquet").unlink()
    again = halfcycle("measure", out, "--limits", "en-50160-lv", "--verdicts", tmp_path / "v2.csv")
    assert again.returncode == 0, again.stderr
    assert (tmp_path / "v1.csv").read_bytes() == (tmp_path / "v2.csv").read_bytes()
    shown = halfcycle("inspect", out)
    assert shown.returncode == 0, shown.stderr
    for told in ("Udin:       230 V, declared", "four-wire: A, B, C", "measured from waveforms", "thd_u", "2-40"):
        assert told in shown.stdout
    screened = halfcycle("screen", out, "--out", tmp_path / "e.csv", "--notes")
    assert "no waveform" in screened.stdout
    assert "judged: 0" not in screened.stdout


@pytest.mark.slow
def test_several_sites_in_one_file_keep_their_own_rows_and_notes(tmp_path: Path) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    coarse = made(seconds=12.0)
    samples = np.ascontiguousarray(coarse.samples[:, ::4])
    header = replace(coarse.header, station="Other Mill", rate_hz=1600.0, n_samples=samples.shape[1])
    write_waveform_parquet(Capture(header, samples), tmp_path / "b.parquet")
    out = tmp_path / "t.parquet"
    done = halfcycle("measure", tmp_path / "a.parquet", tmp_path / "b.parquet", "--out", out, "--interval", "10")
    assert done.returncode == 0, done.stderr
    found = {one.certificate.site: one for one in read_trends(out)}
    assert set(found) == {"Mill Lane", "Other Mill"}
    assert found["Mill Lane"].trend.table.num_rows == 3
    orders = {site: {q.symbol: q.orders for q in one.certificate.quantities} for site, one in found.items()}
    assert orders["Mill Lane"]["thd_u"] == "2-40"
    assert orders["Other Mill"]["thd_u"] != "2-40"


def test_a_trend_that_lost_a_column_or_its_certificate_is_refused(tmp_path: Path) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    out = tmp_path / "t.parquet"
    done = halfcycle("measure", tmp_path / "a.parquet", "--out", out, "--interval", "10", "--quantities", "u_rms")
    assert done.returncode == 0, done.stderr
    table = pq.read_table(out)
    pq.write_table(table.drop_columns(["u_rms_b"]), out)
    with pytest.raises(MalformedRecord, match="u_rms_b"):
        read_trends(out)
    left = halfcycle("measure", out, "--limits", "en-50160-lv")
    assert (left.returncode, "could not be read" in left.stdout or "lacks" in left.stderr) == (3, True)
    pq.write_table(table.replace_schema_metadata({}), out)
    with pytest.raises(MalformedRecord, match="certificate"):
        certificates_at(out)


def test_longer_intervals_are_made_of_shorter_ones_by_their_measured_shares() -> None:
    rng = np.random.default_rng(3)
    values, share = rng.uniform(200, 260, 25), rng.uniform(0.2, 1.0, 25)
    values[4], share[7] = np.nan, 0.0
    flags = np.arange(25) == 13
    given = trend(
        25, 60.0, u_rms_a=values, u_rms_a_min=values - 5, f=values, energy_in=values, pf_a=values, measured=share,
        flag=flags,
    )  # fmt: skip
    found = coarser(given, from_s=60.0, to_s=600.0)
    assert found is not None
    table = found.table
    assert "pf_a" not in table.column_names  # a ratio of ratios would be wrong
    starts = given.table.column("start").cast(pa.int64()).to_numpy()
    for i, tick in enumerate(table.column("start").cast(pa.int64()).to_numpy()):
        held = [k for k in range(25) if tick <= starts[k] < tick + 600 * 10**9]
        used = [k for k in held if np.isfinite(values[k])]
        weight = sum(share[k] for k in used)
        mean_square = sum(share[k] * values[k] ** 2 for k in used) / weight
        assert table.column("u_rms_a")[i].as_py() == pytest.approx(mean_square**0.5, rel=1e-12)
        assert table.column("f")[i].as_py() == pytest.approx(sum(share[k] * values[k] for k in used) / weight)
        assert table.column("u_rms_a_min")[i].as_py() == pytest.approx(min(values[k] - 5 for k in used))
        assert table.column("energy_in")[i].as_py() == pytest.approx(sum(values[k] for k in used))
        assert table.column("measured")[i].as_py() == pytest.approx(sum(share[k] for k in held) / 10, rel=1e-6)
        assert table.column("flag")[i].as_py() == any(flags[k] for k in held)
    assert coarser(given, from_s=60.0, to_s=90.0) is None


def test_plt_is_made_of_twelve_pst_and_of_no_fewer() -> None:
    """IEC 61000-4-15:2010, 5.7.3: the cube root of the mean of the cubes of twelve."""
    n = 24
    starts = 1_772_409_600 * 10**9 + np.arange(n) * 600 * 10**9  # 2026-03-02T00:00Z
    pst = np.linspace(0.2, 1.4, n)
    pst[20] = np.nan
    table = trend(n, 600.0, pst_a=pst).table.set_column(0, "start", pa.array(starts, pa.timestamp("ns", tz="UTC")))
    found = coarser(Trend(table, 230.0), from_s=600.0, to_s=7200.0)
    assert found is not None
    first, second = found.table.column("plt_a").to_numpy()
    assert first == pytest.approx(np.cbrt(np.mean(pst[:12] ** 3)), rel=1e-6)
    assert np.isnan(second)


def test_columns_that_are_alike_are_certified_together_and_no_class_is_claimed_of_what_a_recorder_computed() -> None:
    given = trend(3, 600.0, u_rms_a=np.ones(3), u_rms_b=np.ones(3), p_total=np.ones(3))
    ours, theirs = (certified_quantities(given.table, computed=known) for known in (True, False))
    assert [(one.symbol, one.columns, one.accuracy_class) for one in ours] == [
        ("u_rms", ("u_rms_a", "u_rms_b"), "A"), ("p_total", ("p_total",), ""),
    ]  # fmt: skip
    assert {one.accuracy_class for one in theirs} == {""}
