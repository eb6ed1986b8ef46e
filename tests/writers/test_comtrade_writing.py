"""The COMTRADE writer against the general-purpose `comtrade` package, and there and back through the reader."""

from __future__ import annotations

import tempfile
import warnings
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import comtrade
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError, MalformedRecord, StoreError
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL
from halfcycle.pipeline.writers.comtrade import write_comtrade

START_NS = 1_709_683_198_500_000_000  # 2024-03-05 23:59:58.5
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
CHANNELS = (
    Channel("UA", "voltage", "A", "V", scale=0.1, offset=0.3, point="bus 1", missing_code=-32768),
    Channel("IA", "current", "A", "A", scale=1 / 3, missing_code=-32768),
    Channel("load", "other", "", "MW", scale=2.5e-7),
)
VARIANTS = [
    (1991, "ASCII"), (1991, "BINARY"), (1999, "ASCII"), (1999, "BINARY"),
    (2013, "ASCII"), (2013, "BINARY"), (2013, "BINARY32"), (2013, "FLOAT32"),
]  # fmt: skip
CODES = {"ASCII": -32768, "BINARY": -32768, "BINARY32": -0x80000000, "FLOAT32": None}


def capture_of(samples: np.ndarray, channels: tuple[Channel, ...] = CHANNELS, **header: Any) -> Capture:
    values: dict[str, Any] = {
        "station": "Mill Lane", "start_ns": START_NS, "rate_hz": 6400.0, "n_samples": samples.shape[1],
        "channels": channels, "sample_type": samples.dtype.name, "nominal_frequency_hz": 50.0,
        "trigger_ns": START_NS + 3_000_000,
    }  # fmt: skip
    return Capture(Header(**(values | header)), samples)


def some_samples(dtype: type = np.int16, *, n_samples: int = 700) -> np.ndarray:
    samples = np.random.default_rng(4).integers(-30000, 30000, (3, n_samples)).astype(dtype)
    samples[samples == -1] = 0  # the package takes -1 for a missing value in binary data of 1991
    return samples


def by_package(path: Path) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = comtrade.Comtrade(ignore_warnings=True, use_numpy_arrays=True, use_double_precision=True)
        return other.load(str(path))


def read(path: Path) -> Capture:
    (capture,) = read_captures(path)
    return capture


@pytest.mark.parametrize(("revision", "data"), VARIANTS)
@pytest.mark.parametrize("digital_channels", [0, 1, 17])
def test_the_comtrade_package_reads_what_is_written(tmp_path, revision, data, digital_channels):
    dtype = {"BINARY32": np.int32, "FLOAT32": np.float32}.get(data, np.int16)
    capture = capture_of(some_samples(dtype))
    suffix = ".cff" if revision == 2013 else ".cfg"
    path = write_comtrade(
        capture, tmp_path / f"r{suffix}", revision=revision, data=data, digital_channels=digital_channels
    )
    other = by_package(path)
    for i in range(3):  # rtol: its sums are in the same order, its product may be rounded once more
        np.testing.assert_allclose(np.array(other.analog[i]), capture.physical(i), rtol=1e-12)
    assert (other.station_name, other.rev_year) == ("Mill Lane", str(revision))
    assert other.cfg.sample_rates == [[6400.0, 700]]
    assert other.frequency == 50.0
    assert (other.status_count, other.analog_count) == (digital_channels, 3)
    assert not any(np.any(states) for states in other.status)
    assert (other.start_timestamp.replace(tzinfo=UTC) - EPOCH) // timedelta(microseconds=1) == START_NS // 1000
    assert other.trigger_timestamp - other.start_timestamp == timedelta(milliseconds=3)
    assert [channel.pors for channel in other.cfg.analog_channels] == ["0" if revision == 1991 else "P"] * 3


@pytest.mark.parametrize(("revision", "data"), VARIANTS)
def test_missing_samples_stay_missing(tmp_path, revision, data):
    samples = some_samples(np.float32 if data == "FLOAT32" else np.int16)
    samples[:2, [5, 699]] = np.nan if data == "FLOAT32" else -32768
    capture = capture_of(samples)
    back = read(write_comtrade(capture, tmp_path / "r.cfg", revision=revision, data=data))
    for i in range(3):
        np.testing.assert_array_equal(back.physical(i), capture.physical(i))
        assert np.isnan(back.physical(i)).sum() == (2 if i < 2 else 0)


def test_another_missing_code_is_written_as_that_of_the_format(tmp_path):
    samples = some_samples()
    samples[0, 5] = 32767
    capture = capture_of(samples, tuple(replace(channel, missing_code=32767) for channel in CHANNELS))
    back = read(write_comtrade(capture, tmp_path / "r.cfg"))
    assert (back.samples[0, 5], back.header.channels[0].missing_code) == (-32768, -32768)


@pytest.mark.parametrize("data", ["ASCII", "BINARY"])
def test_a_capture_of_more_than_one_block_is_written_whole(tmp_path, data):
    capture = capture_of(some_samples(n_samples=70000))
    back = read(write_comtrade(capture, tmp_path / "r.cfg", data=data))
    np.testing.assert_array_equal(back.samples, capture.samples)
    assert not any("numbered from" in note or "time stamps of the data" in note for note in back.header.notes)


def test_time_stamps_follow_the_rate(tmp_path):
    path = write_comtrade(capture_of(some_samples(n_samples=70000)), tmp_path / "r.cfg")
    rows = np.fromfile(path.with_suffix(".dat"), np.dtype([("n", "<u4"), ("us", "<u4"), ("v", "<i2", (3,))]))
    np.testing.assert_array_equal(rows["n"], np.arange(1, 70001))
    np.testing.assert_array_equal(rows["us"], np.rint(np.arange(70000) * 156.25))


@pytest.mark.parametrize("data", ["ASCII", "BINARY"])
def test_a_multiplier_keeps_the_time_stamps_of_a_long_capture_in_range(tmp_path, data):
    capture = capture_of(some_samples(n_samples=20000), rate_hz=0.5)  # 11 hours, 4e10 microseconds
    path = write_comtrade(capture, tmp_path / "r.cfg", data=data)
    multiplier = int(path.read_text().splitlines()[-1])
    last = 19999 * 2_000_000
    assert multiplier == -(-last // (9_999_999_999 if data == "ASCII" else 4_294_967_294))
    back = read(path)
    assert not any("time stamps of the data span" in note for note in back.header.notes)
    text = path.read_text().replace("1\r\n0.5,20000", "0\r\n0,20000")
    path.write_text(text, newline="")
    assert read(path).header.rate_hz == pytest.approx(0.5, rel=1e-8)  # the stamps alone give the rate


@pytest.mark.parametrize("revision", [1991, 1999, 2013])
def test_a_capture_without_trigger_and_line_frequency_is_written_without(tmp_path, revision):
    capture = capture_of(some_samples(), trigger_ns=None, nominal_frequency_hz=None)
    back = read(write_comtrade(capture, tmp_path / "r.cfg", revision=revision, digital_channels=3))
    assert (back.header.trigger_ns, back.header.nominal_frequency_hz) == (None, None)
    assert back.header.start_ns == START_NS


def test_nanoseconds_are_kept_by_revision_2013(tmp_path):
    capture = capture_of(some_samples(), start_ns=START_NS + 1)
    back = read(write_comtrade(capture, tmp_path / "r.cfg", revision=2013))
    assert back.header.start_ns == START_NS + 1
    assert not any("time stamps of the data span" in note for note in back.header.notes)


def test_revision_2013_says_that_its_stamps_are_utc(tmp_path):
    capture = capture_of(some_samples())
    assert not read(write_comtrade(capture, tmp_path / "r.cfg", revision=2013)).header.notes
    (note,) = read(write_comtrade(capture, tmp_path / "s.cfg", revision=1999)).header.notes
    assert "time zone is not stated" in note


def test_revision_2013_holds_any_integer_as_text(tmp_path):
    samples = np.array([[99999, -(2**31) + 1, 2**31 - 1]] * 3, np.int32)
    channels = tuple(replace(channel, missing_code=-(2**31)) for channel in CHANNELS)
    back = read(write_comtrade(capture_of(samples, channels), tmp_path / "r.cfg", revision=2013, data="ASCII"))
    np.testing.assert_array_equal(back.samples, samples)
    assert back.header.channels[0].missing_code == -(2**31)


def test_capital_endings_give_a_capital_data_file(tmp_path):
    path = write_comtrade(capture_of(some_samples()), tmp_path / "R.CFG")
    assert {file.name for file in tmp_path.iterdir()} == {"R.CFG", "R.DAT"}
    assert read(path).header.n_samples == 700


def test_a_cut_single_file_is_noticed(tmp_path):
    path = write_comtrade(capture_of(some_samples()), tmp_path / "r.cff", revision=2013)
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(MalformedRecord, match="it is truncated"):
        read(path)


@pytest.mark.parametrize(("name", "options", "message"), [
    ("r.cfg", {"revision": 2001}, "revision is 2001; allowed are 1991, 1999, 2013"),
    ("r.cfg", {"data": "binary"}, "data is binary; allowed are ASCII, BINARY, BINARY32, FLOAT32"),
    ("r.cfg", {"data": "BINARY32"}, "BINARY32 data need revision 2013"),
    ("r.cfg", {"data": "FLOAT32", "revision": 1991}, "FLOAT32 data need revision 2013"),
    ("r.cff", {}, "a .cff file needs revision 2013, got 1999"),
    ("r.txt", {}, "must end in .cfg or .cff, got r.txt"),
    ("r.cfg", {"digital_channels": -1}, "digital_channels must be from 0 to 999999, got -1"),
])  # fmt: skip
def test_options_that_do_not_fit_are_refused(tmp_path, name, options, message):
    with pytest.raises(ConfigError, match=message):
        write_comtrade(capture_of(some_samples()), tmp_path / name, **options)
    assert not list(tmp_path.iterdir())


def one(value: Any, dtype: type, channel: Channel = CHANNELS[2], **header: Any) -> Capture:
    return capture_of(np.array([[value, 0]], dtype), (channel,), **header)


@pytest.mark.parametrize(("capture", "options", "message"), [
    (one(1, np.int32), {}, "BINARY data cannot hold int32 samples, only int16 ones"),
    (one(1.5, np.float32), {}, "BINARY data cannot hold float32 samples"),
    (one(1.5, np.float32), {"data": "BINARY32", "revision": 2013}, "only int16 and int32 ones"),
    (one(-32768, np.int16), {}, "cannot hold the sample -32768: it marks a missing sample"),
    (one(2**24 + 1, np.int32), {"data": "FLOAT32", "revision": 2013}, "integers exactly up to 16777216 only"),
    (one(np.inf, np.float32), {"data": "FLOAT32", "revision": 2013}, "infinite samples"),
    (one(np.inf, np.float32), {"data": "ASCII", "revision": 2013}, "infinite samples"),
    (one(1.5, np.float32), {"data": "ASCII"}, "ASCII data of revision 1999 hold integers only"),
    (one(99999, np.int32), {"data": "ASCII"}, "hold samples from -99999 to 99998, the capture has 0 to 99999"),
    (one(1, np.int16, start_ns=START_NS + 1), {}, "revision 1999 holds whole microseconds only"),
    (one(1, np.int16, trigger_ns=START_NS + 1), {"revision": 1991}, "revision 1991 holds whole microseconds only"),
    (one(1, np.int16, rate_hz=1e-4), {"revision": 1991}, "no multiplier for time stamps, which 20000 s need"),
    (one(1, np.int16, station="Mill, Lane"), {}, "blanks in the station"),
    (one(1, np.int16, Channel("a\nb", "other", "", "")), {}, "in the name of channel"),
    (one(1, np.int16, Channel(" a", "other", "", "")), {}, "in the name of channel"),
    (one(1, np.int16, Channel("a", "other", "", "V")), {}, "is of quantity other, but its unit 'V' implies voltage"),
    (capture_of(np.zeros((0, 5), np.int16), ()), {}, "at least one sample of one channel"),
    (capture_of(np.zeros((3, 0), np.int16)), {}, "at least one sample of one channel"),
])  # fmt: skip
def test_what_the_format_cannot_hold_is_refused_before_anything_is_written(tmp_path, capture, options, message):
    with pytest.raises(StoreError, match=message):
        write_comtrade(capture, tmp_path / "r.cfg", **options)
    assert not list(tmp_path.iterdir())


def test_a_folder_that_does_not_exist_is_a_store_error(tmp_path):
    with pytest.raises(StoreError, match=r"r\.cfg cannot be written"):
        write_comtrade(capture_of(some_samples()), tmp_path / "nowhere" / "r.cfg")


# --- there and back ------------------------------------------------------------------------------------------------

words = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Z"), exclude_characters=",\ufeff"), min_size=1, max_size=12
)
scales = st.floats(1e-9, 1e6) | st.floats(-1e6, -1e-9)  # what the gate lets pass
offsets = st.floats(-10.0, 10.0, allow_subnormal=False)
FULL = {"ASCII": (-32767, 32767), "BINARY": (-32767, 32767), "BINARY32": (-(2**31) + 1, 2**31 - 1)}


@st.composite
def variants_and_captures(draw: st.DrawFn) -> tuple[int, str, Capture]:
    """A capture as the reader gives it: what the format has no place for is left at what the reader fills in."""
    revision, data = draw(st.sampled_from(VARIANTS))
    decimal = data == "FLOAT32" or (data == "ASCII" and revision == 2013 and draw(st.booleans()))
    code = None if decimal else CODES[data]
    rails = (-32767, 32767) if data == "BINARY" else (None, None)
    channels = []
    for _ in range(draw(st.integers(1, 4))):
        quantity, unit = draw(st.sampled_from([("voltage", "V"), ("current", "A"), ("other", "MW"), ("other", "")]))
        phase = draw(st.sampled_from([*LINE_PHASES, *LINE_TO_LINE_PHASES, NEUTRAL]))
        point = draw(st.one_of(st.just(""), words)) if quantity == "voltage" else ""
        channels.append(Channel(draw(words), quantity, phase, unit, draw(scales), draw(offsets), point, code, *rails))
    n_samples = draw(st.integers(1, 30))
    if decimal:
        value: st.SearchStrategy[Any] = st.one_of(st.floats(-(2.0**20), 2.0**20, width=32), st.just(float("nan")))
    else:
        value = st.one_of(st.integers(*FULL[data]), st.just(code))
    rows = draw(st.lists(st.lists(value, min_size=n_samples, max_size=n_samples), min_size=len(channels),
                         max_size=len(channels)))  # fmt: skip
    if decimal:
        rows[0][0] = 0.5  # text without any number would be read as integers
    dtype = np.float32 if decimal else {"BINARY32": np.int32}.get(data, np.int16)
    tick_ns = 1 if revision == 2013 else 1000
    times = st.integers(-(10**18) // tick_ns, 4 * 10**18 // tick_ns).map(lambda ticks: ticks * tick_ns)
    capture = capture_of(
        np.array(rows, dtype), tuple(channels),
        station=draw(st.one_of(st.just(""), words)), start_ns=draw(times),
        trigger_ns=draw(st.one_of(st.none(), times)),
        rate_hz=draw(st.floats(1.0, 1e6)), nominal_frequency_hz=draw(st.one_of(st.none(), st.floats(1.0, 400.0))),
    )  # fmt: skip
    return revision, data, capture


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(variants_and_captures(), st.integers(0, 20), st.booleans())
@pytest.mark.long
def test_a_capture_written_and_read_is_the_same_capture(variant, digital_channels, single):
    revision, data, capture = variant
    suffix = ".cff" if single and revision == 2013 else ".cfg"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"r{suffix}")
        write_comtrade(capture, path, revision=revision, data=data, digital_channels=digital_channels)
        back = read(path)
    assert back.header == replace(capture.header, source=path.name, notes=back.header.notes)
    np.testing.assert_array_equal(back.samples, capture.samples)
    assert back.digest() == capture.digest()


def test_numbers_of_numpy_types_are_written_as_plain_numbers(tmp_path):
    channels = tuple(replace(channel, scale=np.float64(0.1), offset=np.float64(0.0)) for channel in CHANNELS)
    capture = capture_of(some_samples(), channels, rate_hz=np.float64(6400.0))
    path = write_comtrade(capture, tmp_path / "a.cfg")
    assert "float64" not in path.read_text(encoding="utf-8")
    assert by_package(path).total_samples == capture.header.n_samples
