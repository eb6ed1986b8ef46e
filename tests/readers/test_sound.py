"""WAV against Python's own writer and SciPy's, FLAC against the examples of its standard."""

from __future__ import annotations

import csv
import hashlib
import sys
import wave
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from made_fleet import halfcycle
from reader_contract import check_broken_copies, check_reader_contract

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import MalformedRecord, ReadError, Unsupported
from halfcycle.pipeline.readers import read_captures, reader_of, samples_at

soundfile = pytest.importorskip("soundfile")

RNG = np.random.default_rng(12)
COUNTS = RNG.integers(-20000, 20000, (2, 500))
DESCRIBED = """
start = 2026-03-02T06:00:00Z
[channels.channel_1]
unit = "V"
scale = 0.0125
[channels.channel_2]
unit = "A"
scale = 0.002
"""
START_NS = 1_772_431_200_000_000_000  # 2026-03-02 06:00:00 UTC
CHANNELS = (
    Channel("channel_1", "voltage", "", "V", scale=0.0125), Channel("channel_2", "current", "", "A", scale=0.002)
)  # fmt: skip

# RFC 9639, appendix D.1: one sample of two channels, with its checksums and the MD5 of its samples.
FIRST_EXAMPLE = bytes.fromhex(
    "664c6143800000221000100000000f00000f0ac442f0000000013e84b41807dc690307586a3dad1a2e0ffff869180000bf0358fd03128baa9a"
)


def with_wave(path: Path, counts: np.ndarray, n_bytes: int, rate_hz: int = 16000) -> Path:
    """A WAV file by Python's own writer; samples of `n_bytes`, little-endian."""
    data = counts.T.astype("<i4").copy().view("u1").reshape(-1, 4)[:, :n_bytes].tobytes()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(counts))
        file.setsampwidth(n_bytes)
        file.setframerate(rate_hz)
        file.writeframes(data)
    path.with_name(path.name + ".toml").write_text(DESCRIBED)
    return path


def read_one(path: Path) -> Capture:
    (capture,) = read_captures(path)
    return capture


@pytest.mark.parametrize("n_bytes", [2, 3, 4])
def test_the_contract_holds_for_wav(tmp_path: Path, n_bytes: int) -> None:
    counts = COUNTS * 256 ** (n_bytes - 2)
    kind = "int16" if n_bytes == 2 else "int32"
    expected = Capture(Header("", START_NS, 16000.0, 500, CHANNELS, kind), counts.astype(kind))
    check_reader_contract(with_wave(tmp_path / "x.wav", counts, n_bytes), expected)


def test_the_contract_holds_for_flac(tmp_path: Path) -> None:
    """Samples as WAV, by Python's own writer, has them; libsndfile, which decodes it, packs it, too."""
    counts = COUNTS * 256
    soundfile.write(tmp_path / "x.flac", (counts.T << 8).astype("int32"), 16000, subtype="PCM_24")
    (tmp_path / "x.flac.toml").write_text(DESCRIBED)
    expected = read_one(with_wave(tmp_path / "x.wav", counts, 3))
    check_reader_contract(tmp_path / "x.flac", Capture(expected.header, expected.samples))


def test_the_example_of_the_standard_has_the_samples_of_its_digest(tmp_path: Path) -> None:
    (tmp_path / "x.flac").write_bytes(FIRST_EXAMPLE)
    (tmp_path / "x.flac.toml").write_text(DESCRIBED)
    capture = read_one(tmp_path / "x.flac")
    assert capture.header.rate_hz == 44100.0
    assert hashlib.md5(capture.samples.T.astype("<i2").tobytes()).digest() == FIRST_EXAMPLE[26:42]
    np.testing.assert_array_equal(capture.samples, [[25588], [10416]])


def test_floating_point_reads_as_scipy_wrote_it(tmp_path: Path) -> None:
    values = RNG.normal(size=(200, 2)).astype(np.float32)
    scipy.io.wavfile.write(tmp_path / "x.wav", 8000, values)
    (tmp_path / "x.wav.toml").write_text(DESCRIBED)
    np.testing.assert_array_equal(read_one(tmp_path / "x.wav").samples, values.T)


@pytest.mark.parametrize("stem", ["house-1363888480_023467", "1363888480.023467", "a 1363888480_0234670 b"])
def test_a_start_in_the_name_is_taken_and_said_to_be(tmp_path: Path, stem: str) -> None:
    path = with_wave(tmp_path / f"{stem}.wav", COUNTS, 2)
    path.with_name(path.name + ".toml").write_text(DESCRIBED.replace("start = 2026-03-02T06:00:00Z", ""))
    header = read_one(path).header
    assert header.start_ns == 1_363_888_480_023_467_000
    assert "its start is the Unix time in its name" in header.notes[0]


def test_a_start_in_the_description_comes_first_and_a_long_number_is_none(tmp_path: Path) -> None:
    assert read_one(with_wave(tmp_path / "1363888480.wav", COUNTS, 2)).header.start_ns == START_NS
    path = with_wave(tmp_path / "21363888480.wav", COUNTS, 2)
    path.with_name(path.name + ".toml").write_text(DESCRIBED.replace("start = 2026-03-02T06:00:00Z", ""))
    assert read_one(path).header.start_ns == 0


def test_samples_from_the_middle_are_those_of_the_whole(tmp_path: Path) -> None:
    counts = RNG.integers(-20000, 20000, (2, 300_000))
    path = with_wave(tmp_path / "x.wav", counts, 2)
    np.testing.assert_array_equal(samples_at(path, 0, 140_000, 290_000), counts[:, 140_000:290_000])


def test_a_file_that_is_not_described_says_how_to_describe_it(tmp_path: Path) -> None:
    path = with_wave(tmp_path / "x.wav", COUNTS, 2)
    path.with_name("x.wav.toml").unlink()
    with pytest.raises(MalformedRecord, match=r"describe them under \[channels\] in x.wav.toml"):
        read_one(path)
    channels = next(read_captures(path, quantities=["voltage", "current", "other"])).header.channels
    assert [(one.name, one.quantity) for one in channels] == [("channel_1", "other"), ("channel_2", "other")]


def test_samples_by_a_law_of_telephony_are_refused_by_name(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros((10, 1)), 8000, subtype="ULAW")
    with pytest.raises(Unsupported, match="its samples are U-Law"):
        read_one(tmp_path / "x.wav")


def test_without_the_library_a_word_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = with_wave(tmp_path / "x.wav", COUNTS, 2)
    monkeypatch.setitem(sys.modules, "soundfile", None)
    assert reader_of(path).name == "sound file"
    with pytest.raises(ReadError, match=r"pip install 'halfcycle\[sound\]'"):
        read_one(path)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["x.wav", "x.flac"])
def test_broken_copies_are_refused_or_read(tmp_path: Path, name: str) -> None:
    path = with_wave(tmp_path / "x.wav", COUNTS, 2)
    if name == "x.flac":
        soundfile.write(tmp_path / name, COUNTS.T.astype("int16"), 16000)
        (tmp_path / "x.flac.toml").write_text(DESCRIBED)
        path = tmp_path / name
    check_broken_copies(path, n_copies=100)


@pytest.mark.slow
def test_a_folder_is_drafted_described_and_screened(tmp_path: Path) -> None:
    """From files that say nothing of their channels to the row of a sag that runs from one into the next."""
    folder, rate_hz = tmp_path / "mill", 4000
    folder.mkdir()
    t_s = np.arange(3 * 4 * rate_hz) / rate_hz
    u = 325.0 * np.sin(2 * np.pi * 50 * t_s) * np.where((t_s >= 3.9) & (t_s < 4.1), 0.6, 1.0)
    i = 8.0 * np.sin(2 * np.pi * 50 * t_s - 0.5)
    counts = np.round(np.stack([u / 0.0125, i / 0.002])).astype(int)
    for k, part in enumerate(np.split(counts, 3, axis=1)):
        with_wave(folder / f"mill-{1_363_888_480 + 4 * k}.wav", part, 2, rate_hz)
    for beside in folder.glob("*.toml"):
        beside.unlink()
    draft, table, rows = tmp_path / "draft.toml", tmp_path / "sites.toml", tmp_path / "e.csv"
    assert halfcycle("inspect", folder, "--sites", draft).returncode == 0
    assert '# channels."channel_1" = { quantity = "other" }' in draft.read_text()

    lines = '[[sites]]\nname = "Mill"\nfiles = ["{}"]\n[sites.channels."channel_1"]\nunit = "V"\nscale = 0.0125\n'
    table.write_text(lines.format("weir/*.wav"))
    done = halfcycle("screen", folder, "--sites", table, "--out", rows)
    assert f"{table}: no recording is of a site in it" in done.stderr
    table.write_text(lines.format("mill/*.wav"))
    done = halfcycle("screen", folder, "--sites", table, "--out", rows)
    assert (done.returncode, done.stderr) == (0, "")
    (row,) = csv.DictReader(rows.read_text().splitlines())
    assert (row["site"], row["kind"]) == ("Mill", "sag")
    began = datetime.fromisoformat(row["start"]).timestamp()
    assert began == pytest.approx(1_363_888_483.9, abs=0.0101)  # half a cycle
    assert float(row["magnitude"]) == pytest.approx(0.6, abs=0.002)
    assert float(row["duration_s"]) == pytest.approx(0.2, abs=0.0101)  # half a cycle
