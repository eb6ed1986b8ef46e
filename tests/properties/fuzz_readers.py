"""Fuzz every reader: damaged copies of good files are read, or refused with a ReadError in time and in bounded memory.

    python tests/properties/fuzz_readers.py --cases 100000 --seed 1

The good files are what every writer makes with all its options, sound files, bundles of them, and the measured
recordings where they lie beside the project. Readers and writers are found, not listed: a new one takes part at once. A
case that fails is told with its number; ``--first NUMBER --cases 1`` and the same seed run it again.
"""

from __future__ import annotations

import argparse
import inspect
import itertools
import pkgutil
import sys
import tarfile
import tempfile
import time
import typing
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import numpy as np
import soundfile

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
for place in (ROOT, HERE):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from forked_cases import Outcome, RunCase, parser, run_cases, write_case  # noqa: E402

from halfcycle.pipeline import writers  # noqa: E402
from halfcycle.pipeline.capture import Capture, Channel, Header  # noqa: E402
from halfcycle.pipeline.errors import HalfcycleError, ReaderFault, ReadError  # noqa: E402
from halfcycle.pipeline.readers import companions_of, read_captures, reader_of, readers  # noqa: E402
from halfcycle.pipeline.readers.contract import Repair  # noqa: E402

RECORDINGS = ROOT.parent / "shared" / "data"
MOST_SECONDS = 2.0  # of processor time a case
MOST_BYTES = 256 << 20  # of further memory a case
SUFFIXES = (".cfg", ".cff", ".csv", ".tsv", ".mat", ".npz", ".parquet", ".pqd")
START_NS = 1_700_000_000_000_000_000
RECORDING_SHARE = 0.05  # of the cases: measured recordings are large
TOKENS = (b",", b";", b"\r", b"\n", b"\x1a", b"\0", b"\xff", b"0", b"-1", b"99999999999", b"nan", b"inf", b"1e308",
          b"1e-308", b"/", b":", b"1991", b"+", b".", b"\n0\n", b",,", b'"', b"{", b"[", b"\x7f\xff\xff\xff",
          b"\xff" * 8, b"PK\x03\x04", b"--- file type: DAT BINARY: 5 ---\r\n", b"01.02.2024 10:00:00,5", b"1.234.567,8",
          b"MATLAB 5.0 MAT-file", b"PAR1")  # fmt: skip


@dataclass(frozen=True)
class Good:
    """A good file with what belongs to it: contents by name, the file itself first."""

    reader: str
    files: tuple[tuple[str, bytes], ...]
    is_recording: bool = False


def good_files(folder: Path, capture: Capture | None = None) -> list[Good]:
    """What all writers make of a capture (None: of noise), sound files, bundles of some of it, and recordings."""
    capture = _capture() if capture is None else capture
    found: list[Good] = []
    for number, (write, options) in enumerate(_writings()):
        for suffix in SUFFIXES:
            place = folder / f"{number}{suffix}"
            place.mkdir(parents=True)
            try:
                write(capture, place / f"r{suffix}", options)
            except HalfcycleError:
                continue  # no such file from this writer, or no such options together
            found += _readable(place / f"r{suffix}")
    found += _sounds(capture, folder / "sounds")
    text = [good for good in found if good.files[0][0].endswith((".cfg", ".csv"))][:6]
    found += [_bundle(folder, text, name) for name in ("b.zip", "b.tar.gz")]
    if RECORDINGS.is_dir():
        for path in sorted(RECORDINGS.iterdir()):
            found += _readable(path, is_recording=True)
    return found


def _capture(n: int = 192) -> Capture:
    rng = np.random.default_rng(7)
    channels = tuple(
        Channel(f"{'UI'[kind == 'A']}{phase}", "current" if kind == "A" else "voltage", phase, kind, scale=0.5)
        for kind in ("V", "A")
        for phase in "ABC"
    )
    header = Header("Mill Lane", START_NS, 1600.0, n, channels, "int16", 50.0, START_NS + 50_000_000)
    return Capture(header, rng.integers(-30000, 30000, (len(channels), n), dtype=np.int16))


def _writings() -> Iterator[tuple[Callable[[Capture, Path, dict[str, object]], None], dict[str, object]]]:
    """Every function of the writers that takes captures and a path, with each choice of its options."""
    for module_info in pkgutil.iter_modules(writers.__path__):
        module = import_module(f"{writers.__name__}.{module_info.name}")
        for name, function in vars(module).items():
            if not name.startswith("write_") or getattr(function, "__module__", "") != module.__name__:
                continue
            parameters = list(inspect.signature(function).parameters.values())
            if len(parameters) < 2 or not parameters[0].name.startswith("capture") or parameters[1].name != "path":
                continue
            hints = typing.get_type_hints(function)
            choices = {
                p.name: (False, True) if hints[p.name] is bool else typing.get_args(hints[p.name])
                for p in parameters[2:]
                if hints[p.name] is bool or typing.get_origin(hints[p.name]) is typing.Literal
            }
            several = parameters[0].name == "captures"

            def write(capture: Capture, path: Path, options: dict[str, object], f=function, several=several) -> None:  # type: ignore[no-untyped-def]
                f([capture] if several else capture, path, **options)

            for values in itertools.product(*choices.values()):
                yield write, dict(zip(choices, values, strict=True))


def _readable(path: Path, *, is_recording: bool = False) -> list[Good]:
    try:
        list(read_captures(path))
        name = reader_of(path).name
    except ReadError:
        return []  # a companion, or what a writer put under an ending that is not its own
    files = (path, *companions_of(path))
    return [Good(name, tuple((file.name, file.read_bytes()) for file in files), is_recording)]


def _sounds(capture: Capture, folder: Path) -> list[Good]:
    """The same as sound files, which no writer makes."""
    folder.mkdir()
    found = []
    for name in ("r.wav", "r.flac"):
        soundfile.write(folder / name, capture.samples.T, round(capture.header.rate_hz))
        lines = [
            f"[channels.channel_{k}]\nunit = {one.unit!r}\nscale = {one.scale}"
            for k, one in enumerate(capture.header.channels, start=1)
        ]
        (folder / f"{name}.toml").write_text("\n".join(lines))
        found += _readable(folder / name)
    return found


def _bundle(folder: Path, goods: list[Good], name: str) -> Good:
    path = folder / name
    with tempfile.TemporaryDirectory() as inside:
        for i, good in enumerate(goods):
            (Path(inside) / str(i)).mkdir()
            for file, content in good.files:
                (Path(inside) / str(i) / file).write_bytes(content)
        files = sorted(file for file in Path(inside).rglob("*") if file.is_file())
        if name.endswith(".zip"):
            with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
                for file in files:
                    archive.write(file, file.relative_to(inside))
        else:
            with tarfile.open(path, "w:gz") as archive:
                for file in files:
                    archive.add(file, file.relative_to(inside).as_posix())
    (good,) = _readable(path)
    return good


def damaged(content: bytes, other: bytes, rng: np.random.Generator) -> bytes:
    """A copy with some bytes changed, removed, repeated, cut off, or with a part of another file in it."""
    data = bytearray(content)
    for _ in range(rng.choice([1, 1, 1, 2, 8])):
        if not data:
            break
        at, n = int(rng.integers(len(data))), int(rng.choice([1, 1, 4, 30, 1000]))
        match rng.integers(9):
            case 0:
                data[at] ^= 1 << rng.integers(8)
            case 1:
                data[at : at + n] = rng.bytes(n)
            case 2:
                del data[at : at + n]
            case 3:
                data[at:at] = data[at : at + n]
            case 4:
                del data[at:]
            case 5:
                data[at : at + int(rng.integers(4))] = TOKENS[rng.integers(len(TOKENS))]
            case 6:
                data[at : at + n] = bytes(len(data[at : at + n]))
            case 7:
                start = int(rng.integers(len(other)))
                data[at : at + n] = other[start : start + n]
            case _:
                data[at:] = other[int(rng.integers(len(other))) :][: len(content)]
    return bytes(data)


def run_case(goods: list[Good], *, seed: int, case: int, folder: Path) -> Outcome:
    """Make and read one damaged file.

    Parameters
    ----------
    goods : files to start from.
    seed, case : which damage.
    folder : to work in.

    Returns
    -------
    Outcome.
    """
    rng = np.random.default_rng([seed, case])
    large = [good for good in goods if good.is_recording]
    small = [good for good in goods if not good.is_recording]
    kind = sorted({good.reader for good in small})[rng.integers(len({good.reader for good in small}))]
    pool = large if large and rng.random() < RECORDING_SHARE else [good for good in small if good.reader == kind]
    good = pool[rng.integers(len(pool))]
    donor = goods[rng.integers(len(goods))]
    which = int(rng.integers(len(good.files)))
    files = []
    for i, (name, content) in enumerate(good.files):
        other = donor.files[rng.integers(len(donor.files))][1]
        files.append((name, damaged(content, other, rng) if i == which else content))
    write_case(folder, files)
    strict = bool(rng.random() < 0.3)
    began = time.process_time()
    is_read, problem = _read(folder / good.files[0][0], strict=strict)
    seconds = time.process_time() - began
    if problem is None and seconds > MOST_SECONDS:
        problem = f"took {seconds:.1f} s"
    return Outcome(good.reader, is_read, problem and f"{good.files[which][0]} of {good.reader}: {problem}")


def _read(path: Path, *, strict: bool) -> tuple[bool, str | None]:
    try:
        for capture in read_captures(path, strict=strict):
            if capture.samples.shape != (len(capture.header.channels), capture.header.n_samples):
                return True, "samples do not fit their header"
            if strict and any(isinstance(note, Repair) for note in capture.header.notes):
                return True, "a strict reading gave a capture with a repair"
    except ReaderFault as error:
        return False, str(error)
    except ReadError:
        return False, None
    except Exception as error:  # whatever else a reader lets out is what is looked for
        return False, f"{type(error).__name__}: {error}"
    return True, None


def prepare(arguments: argparse.Namespace, folder: Path) -> RunCase:
    """The good files, and what runs a case of them.

    Raises
    ------
    RuntimeError : a reader has no good file to start from.
    """
    goods = good_files(folder / "good")
    if missing := set(readers()) - {good.reader for good in goods}:
        raise RuntimeError(f"no good file for the readers {', '.join(sorted(missing))}")
    run_case(goods, seed=0, case=0, folder=folder / "case")  # what is loaded at first use is loaded now
    return lambda case: run_case(goods, seed=arguments.seed, case=case, folder=folder / "case")


def main(argv: list[str] | None = None) -> int:
    """Run cases; see `forked_cases`."""
    return run_cases(parser("Fuzz every reader.").parse_args(argv), prepare, most_bytes=MOST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
