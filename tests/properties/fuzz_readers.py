"""Fuzz every reader: damaged copies of good files are read, or refused with a ReadError in time and in bounded memory.

    python tests/properties/fuzz_readers.py --cases 100000 --seed 1

The good files are what every writer makes with all its options, bundles of them, and the measured recordings where they
lie beside the project. Readers and writers are found, not listed: a new one takes part at once. A case that fails is
told with its number; ``--first NUMBER --cases 1`` and the same seed run it again.
"""

from __future__ import annotations

import argparse
import inspect
import itertools
import os
import pkgutil
import resource
import shutil
import signal
import subprocess
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

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:  # when run as a command
    sys.path.insert(0, str(ROOT))

from pipeline import writers  # noqa: E402
from pipeline.capture import Capture, Channel, Header  # noqa: E402
from pipeline.errors import HalfcycleError, ReaderFault, ReadError  # noqa: E402
from pipeline.readers import companions_of, read_captures, reader_of, readers  # noqa: E402
from pipeline.readers.contract import Repair  # noqa: E402

RECORDINGS = ROOT.parent / "shared" / "data"
MOST_SECONDS = 2.0  # of processor time a case
MOST_BYTES = 256 << 20  # of further memory a case
HANGS_S = 60  # then the case is ended from outside
SUFFIXES = (".cfg", ".cff", ".csv", ".tsv", ".mat", ".npz", ".parquet", ".pqd")
START_NS = 1_700_000_000_000_000_000
BAD = "BAD"
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
    """What all writers make of a capture (None: of noise), bundles of some of it, and the measured recordings."""
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


@dataclass(frozen=True)
class Outcome:
    """What became of a case: the format, whether it was read, and what is wrong with that, or None."""

    reader: str
    is_read: bool
    problem: str | None


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
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for i, (name, content) in enumerate(good.files):
        other = donor.files[rng.integers(len(donor.files))][1]
        (folder / name).write_bytes(damaged(content, other, rng) if i == which else content)
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


def _limit_memory() -> None:
    """Allow so much more memory than there is in use now."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MOST_BYTES, resource.RLIM_INFINITY))


def _child(arguments: argparse.Namespace) -> None:
    """Run cases in this process, with its memory limited; the number of the case at hand stands in a file."""
    folder = Path(arguments.folder)
    goods = good_files(folder / "good")
    missing = {name for name in readers() if name not in {good.reader for good in goods}}
    if missing:
        print(f"no good file for the readers {', '.join(sorted(missing))}", flush=True)
        sys.exit(3)
    for good in goods[:1]:
        run_case([good], seed=0, case=0, folder=folder / "case")
    counts: dict[str, list[int]] = {name: [0, 0] for name in sorted(readers())}
    at_hand = os.open(folder / "at_hand", os.O_WRONLY | os.O_CREAT)
    for case in range(arguments.first, arguments.first + arguments.cases):
        os.pwrite(at_hand, b"%20d" % case, 0)
        signal.alarm(HANGS_S)
        if sys.platform == "linux":
            _limit_memory()
        outcome = run_case(goods, seed=arguments.seed, case=case, folder=folder / "case")
        signal.alarm(0)
        counts[outcome.reader][outcome.is_read] += 1
        if outcome.problem:
            print(f"{BAD} seed {arguments.seed} case {case}: {outcome.problem}", flush=True)
    for name, (n_refused, n_read) in counts.items():
        print(f"{name}: {n_read} read, {n_refused} refused", flush=True)


def main(argv: list[str] | None = None) -> int:
    """Run cases in a process of their own, and again from the next one where a case ends that process."""
    parser = argparse.ArgumentParser(description="Fuzz every reader.")
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--folder", help=argparse.SUPPRESS)
    arguments = parser.parse_args(argv)
    if arguments.folder:
        _child(arguments)
        return 0
    n_bad, first, end = 0, arguments.first, arguments.first + arguments.cases
    while first < end:
        with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
            numbers = {"--seed": arguments.seed, "--first": first, "--cases": end - first, "--folder": folder}
            command = [sys.executable, __file__, *(str(word) for item in numbers.items() for word in item)]
            with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
                for line in child.stdout or ():
                    print(line, end="", flush=True)
                    n_bad += line.startswith(BAD)
            at_hand = Path(folder) / "at_hand"
            if child.returncode == 0:
                break
            if not at_hand.exists():
                return 2
            case = int(at_hand.read_text())
            print(f"{BAD} seed {arguments.seed} case {case}: ended the process ({child.returncode})", flush=True)
            n_bad, first = n_bad + 1, case + 1
    print(f"{arguments.cases} cases, {n_bad} of them neither read nor refused as they should be")
    return 1 if n_bad else 0


if __name__ == "__main__":
    sys.exit(main())
