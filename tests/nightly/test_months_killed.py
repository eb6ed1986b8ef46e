"""Files of months where nights are killed as they write them, and where several machines do."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from made_fleet import catalogue_bytes, events_in, loaded, made_capture, write_capture, write_fleet
from made_months import SITES, by_days, fill, gathered, month_bytes, rows_in
from made_places import addresses

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.spread import in_this_process

pytestmark = pytest.mark.slow

STARTED = """
import sys
from pathlib import Path
import pyarrow.parquet, pandas
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly import run
gather = run.gather_months
def begun(*arguments):
    print("begun", flush=True)
    return gather(*arguments)
run.gather_months = begun
run.run_nightly(load_fleet(Path(sys.argv[1])))
sys.stdin.readline()
"""
"""A night that says when it begins to gather, and waits at its end."""


@pytest.mark.long
def test_a_night_killed_while_it_gathers_is_finished_by_the_next(tmp_path: Path) -> None:
    # SOURCE: the project's own design; processes ended by SIGKILL at random instants.
    fleet = gathered(tmp_path)
    expected, sound, catalogues = by_days(fleet), month_bytes(fleet), catalogue_bytes(fleet.store)
    rng = random.Random(5)
    states = set()
    for _ in range(15):
        for path in [*(fleet.store / "months").rglob("*.parquet"), *(fleet.store / ".index" / "months").glob("*")]:
            if rng.random() < 0.7:
                path.unlink()
        with subprocess.Popen(
            [sys.executable, "-c", STARTED, str(tmp_path / "fleet.toml")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        ) as process:  # fmt: skip
            assert process.stdout is not None
            assert process.stdout.readline() == "begun\n"
            time.sleep(rng.uniform(0, 0.4))
            process.send_signal(signal.SIGKILL)
        states.add(tuple(sorted(month_bytes(fleet))))
        assert events_in(fleet) == expected  # whatever it left
    assert len(states) >= 2
    run_nightly(fleet)
    assert month_bytes(fleet) == sound
    assert catalogue_bytes(fleet.store) == catalogues
    assert not list((fleet.store / ".staging").glob("*"))
    assert not verify(fleet, in_this_process)


@pytest.mark.parametrize("kind", ["file", "s3"])
@pytest.mark.long
def test_at_an_address_all_machines_have_the_same_months(kind: str, tmp_path: Path) -> None:
    # SOURCE: the project's own design; an address is another place of the same store.
    if kind == "s3":
        pytest.importorskip("s3fs")
    plain = gathered(tmp_path / "plain")
    with addresses(kind, tmp_path / "places") as new:
        address = new()
        mill, weir = (_machine(tmp_path / name, address) for name in ("mill", "weir"))
        fill(mill)
        fill(mill, range(26, 29), "2026-02")
        run_nightly(mill)
        assert month_bytes(mill) == month_bytes(plain)
        run_nightly(weir)
        assert month_bytes(weir) == month_bytes(plain)
        for fleet in (plain, weir):
            late = made_capture("2026-03-05T18:00:00", sags=[(0.5, 0.2, 0.7)])
            write_capture(late, fleet.inbox / SITES[0] / "late.npz")
            run_nightly(fleet)
        run_nightly(mill)
        assert month_bytes(mill) == month_bytes(weir) == month_bytes(plain)
        assert len(rows_in(mill)) == 21
        assert summary_if_idle(mill) is not None


def _machine(root: Path, address: str) -> Fleet:
    config = write_fleet(root, sites=SITES)
    config.write_text(f"store_at = {json.dumps(address)}\n{config.read_text()}")
    return loaded(config)
