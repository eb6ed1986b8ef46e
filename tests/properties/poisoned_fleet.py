"""Poison among the good captures of a fleet: the good events must be, byte for byte, those without it.

    python tests/properties/poisoned_fleet.py --mixes 200 --captures 1000 --sites 20 --seed 1

Each mix draws poison of every kind: files that kill, abort, exhaust or confuse the process that reads them, broken and
hostile files, pipes, captures that do so to the process that judges them, captures damaged in the store, a damaged
catalogue, a site that cannot be written. Nights run until one has nothing new to say.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
for place in (HERE.parents[1], HERE.parent, HERE):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from hostile import maker_for  # noqa: E402
from made_fleet import loaded, made_capture, write_capture, write_fleet  # noqa: E402
from made_poison import WAYS, guest_folder, poison_file, poisoned  # noqa: E402
from nights import begin_night, end_night, rows_of  # noqa: E402

from halfcycle.pipeline.config import Fleet  # noqa: E402
from halfcycle.pipeline.nightly.stored import is_sound  # noqa: E402

BLOCKED = "Blocked"
_ENDINGS = (".cfg", ".parquet", ".csv", ".npz")
_MOST_NIGHTS = 6
Rng = np.random.Generator


def good_captures(folder: Path, *, captures: int, sites: int, seed: int) -> set[str]:
    """Fill an inbox with good captures, one an hour and site from some day on; returns their digests."""
    digests = set()
    for i in range(captures):
        site, k = i % sites, i // sites
        start = f"2026-03-{1 + k // 12:02}T{2 * (k % 12):02}:00:00"
        sags = [(0.7, 0.2, 0.3 + 0.5 * (i % 7) / 7)] if i % 2 else []
        capture = made_capture(start, sags=sags, seed=seed * 100_000 + i)
        write_capture(capture, folder / f"Site {site}" / f"{k}{_ENDINGS[i % 4]}")
        digests.add(capture.digest())
    return digests


class Mix:
    """One fleet with drawn poison.

    Parameters
    ----------
    root : of the fleet.
    inbox : of good captures, that is copied.
    """

    def __init__(self, root: Path, inbox: Path, *, sites: int, guest: Path) -> None:
        names = [*(f"Site {i}" for i in range(sites)), BLOCKED]
        self.config = write_fleet(root, sites=names, extra="[detectors.poison]\n")
        self.fleet: Fleet = loaded(self.config)
        self.guest = guest
        self._sites = sites
        self._minute = 0
        shutil.copytree(inbox, self.fleet.inbox, dirs_exist_ok=True)
        self.poison: set[Path] = set()
        self.to_damage: set[str] = set()

    def put_poison(self, rng: Rng) -> None:
        """Files of every kind, at drawn sites."""
        for way in rng.permutation(WAYS)[: int(rng.integers(1, 5))]:
            self.poison.add(poison_file(self._place(rng, f"reads-{way}.txt"), str(way)))
        for way in rng.permutation(WAYS)[: int(rng.integers(1, 5))]:
            write_capture(poisoned(self._capture(rng), str(way)), self._place(rng, f"judged-{way}.cfg"))
        for ending in _ENDINGS:
            path = write_capture(self._capture(rng), self._place(rng, f"hostile{ending}"))
            content = path.read_bytes()
            path.write_bytes(maker_for(content)(content, rng))
            path = write_capture(self._capture(rng), self._place(rng, f"broken{ending}"))
            path.write_bytes(path.read_bytes()[: int(rng.integers(1, 200))])
        for name, content in (("empty.csv", b""), ("noise.dat", rng.bytes(500)), ("PAR1.parquet", b"PAR1" * 9)):
            self._place(rng, name).write_bytes(content)
        pipe = self._place(rng, "pipe.csv")
        os.mkfifo(pipe)
        self.poison.add(pipe)
        write_capture(self._capture(rng), self.fleet.inbox / BLOCKED / "a.cfg")
        for kind in ("waveforms", "catalogue"):
            (self.fleet.store / kind).mkdir(parents=True, exist_ok=True)
            (self.fleet.store / kind / f"site={BLOCKED}").write_text("a file in its place")
        for ending in _ENDINGS:
            capture = self._capture(rng)
            write_capture(capture, self._place(rng, f"damaged{ending}"))
            self.to_damage.add(capture.digest())

    def damage_store(self, rng: Rng) -> int:
        """Damage the stored files of captures that are poison; returns how many."""
        found = [path for path in (self.fleet.store / "waveforms").rglob("*.parquet") if path.stem in self.to_damage]
        for path in found:
            content = bytearray(path.read_bytes())
            if rng.random() < 0.5:
                at = int(rng.integers(4, len(content) - 100))
                content[at : at + 90] = rng.bytes(90)
            else:
                del content[int(rng.integers(len(content))) :]
            path.write_bytes(content)
        self.to_damage = {path.stem for path in found if not is_sound(path)}  # some bytes of a file say nothing
        return len(self.to_damage)

    def damage_catalogue(self, rng: Rng) -> None:
        """Damage one catalogue."""
        paths = sorted((self.fleet.store / "catalogue").rglob("*.parquet"))
        path = paths[int(rng.integers(len(paths)))]
        path.write_bytes(path.read_bytes()[: int(rng.integers(path.stat().st_size))])

    def _place(self, rng: Rng, name: str) -> Path:
        path = self.fleet.inbox / f"Site {int(rng.integers(self._sites))}" / "deep" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def _capture(self, rng: Rng) -> object:
        """A capture between good ones by time, an hour from each, so that no incident joins them."""
        self._minute = (self._minute + 1) % 50
        start = f"2026-03-01T{2 * int(rng.integers(12)) + 1:02}:{5 + self._minute:02}:00"
        return made_capture(start, sags=[(0.6, 0.2, 0.5)], seed=int(rng.integers(1 << 30)))


def run_mix(mix: Mix, rng: Rng) -> list[str]:
    """Let nights go over a mix; returns what was not as it should be."""
    problems = []
    mix.put_poison(rng)
    named: set[str] = set()
    night = end_night(begin_night(mix.config, guest=mix.guest, what="ingest"))
    named |= night.named
    if not mix.damage_store(rng):
        problems.append("no stored capture could be damaged")
    for i in range(_MOST_NIGHTS):
        before = set(night.named)
        night = end_night(begin_night(mix.config, guest=mix.guest))
        named |= night.named
        if i == 0:
            mix.damage_catalogue(rng)
        elif night.named == before and not night.n_damaged:
            break
    left = {path for path in mix.fleet.inbox.rglob("*") if path.is_fifo() or path.is_file()}
    expected = {path for path in left if path.is_fifo() or BLOCKED in path.parts}
    if left != expected:
        problems.append(f"left in the inbox: {sorted(str(path) for path in left - expected)}")
    problems += [f"not named: {path}" for path in mix.poison if str(path) not in named]
    aside = {path.name.split(".")[0] for path in (mix.fleet.store / "waveforms").rglob("*.reason.txt")}
    problems += [f"not set aside: {digest}" for digest in mix.to_damage - aside]
    return problems


def main(argv: list[str] | None = None) -> int:
    """Run mixes; the exit status says whether all were as they should be."""
    parser = argparse.ArgumentParser(description="Poison among good captures.")
    parser.add_argument("--mixes", type=int, default=3)
    parser.add_argument("--captures", type=int, default=100)
    parser.add_argument("--sites", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args(argv)
    n_bad = 0
    with tempfile.TemporaryDirectory(prefix="poisoned-fleet-") as folder:
        root = Path(folder)
        guest = guest_folder(root / "guest")
        digests = good_captures(root / "good", captures=arguments.captures, sites=arguments.sites, seed=arguments.seed)
        alone = Mix(root / "alone", root / "good", sites=arguments.sites, guest=guest)
        end_night(begin_night(alone.config, guest=guest))
        expected = rows_of_mix(alone, digests, root)
        for number in range(arguments.mixes):
            rng = np.random.default_rng([arguments.seed, number, 12])
            mix = Mix(root / "mix", root / "good", sites=arguments.sites, guest=guest)
            problems = run_mix(mix, rng)
            rows = rows_of_mix(mix, digests, root)
            if rows != expected:
                problems.append(f"of {len(expected)} good events {differences(expected, rows)}")
            print(
                f"mix {number}: {len(rows)} good events, {'; '.join(problems) or 'as without the poison'}", flush=True
            )
            n_bad += bool(problems)
            shutil.rmtree(root / "mix")
    print(f"{arguments.mixes} mixes of {arguments.captures} good captures, {n_bad} of them not as they should be")
    return 1 if n_bad else 0


def differences(expected: list[str], rows: list[str]) -> str:
    """How rows differ, in words."""
    by_id = {json.loads(row)["event_id"]: json.loads(row) for row in rows}
    told: dict[str, int] = {}
    for row in map(json.loads, expected):
        other = by_id.get(row["event_id"])
        for name in ["(missing)"] if other is None else [name for name in row if row[name] != other.get(name)]:
            told[name] = told.get(name, 0) + 1
    return f"differ in {told}, {len(rows) - len(expected)} more"


def rows_of_mix(mix: Mix, digests: set[str], root: Path) -> list[str]:
    """Rows of the good events; the detector that does the worst is not there to be asked."""
    fleet = mix.fleet.model_copy(update={"detectors": {}})
    return rows_of(fleet, digests, root / "rows.ndjson")


if __name__ == "__main__":
    sys.exit(main())
