"""The nightly flow over Prefect, as real commands: exit status, words, state, and no process left behind.

Every server here is the temporary one of `halfcycle.pipeline.flows.temporary_server`, with a home of its own. Its
database is made once and copied, as making it takes ten seconds and starting on one that is there three.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from child_processes import descendants_of
from made_fleet import (
    SITE,
    catalogue_bytes,
    command,
    events_in,
    installed_halfcycle,
    loaded,
    made_capture,
    names,
    plain_run,
    private_home,
    write_capture,
    write_fleet,
)

from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import read_catalogue
from halfcycle.pipeline.nightly.run_files import last_runs
from halfcycle.pipeline.notifying import fleet_name

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="follows processes by Linux' /proc"),
]
GONE_WITHIN_S = 15.0
Demo = tuple[Path, subprocess.CompletedProcess[str]]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return private_home(tmp_path_factory.mktemp("home"))


@pytest.fixture(scope="module")
def demo(
    tmp_path_factory: pytest.TempPathFactory, worker_id: str, home: dict[str, str]
) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The demo fleet's folder and what the command said; its server's database serves the other tests.

    Of several processes that test, one runs the command; each has a copy of what it left.
    """
    own = tmp_path_factory.mktemp("demo") / "fleet"
    if worker_id == "master":
        return own, installed_halfcycle("demo", "--out", own, env=home)
    shared = tmp_path_factory.getbasetemp().parent / "demo by its flow"
    said = shared.with_suffix(".json")
    with shared.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not said.exists():
            done = installed_halfcycle("demo", "--out", shared, env=home)
            said.write_text(json.dumps([done.returncode, done.stdout, done.stderr]))
    shutil.copytree(shared, own)
    status, *texts = json.loads(said.read_text())
    return own, subprocess.CompletedProcess([], status, *(text.replace(str(shared), str(own)) for text in texts))


@pytest.fixture
def config(tmp_path: Path, demo: Demo) -> Path:
    """A fleet with three days in the inbox, and a database that is made already."""
    config = write_fleet(tmp_path / "fleet", run="batch_files = 1\nretries = 0")
    fleet = loaded(config)
    for i, day in enumerate(("2026-03-01", "2026-03-02", "2026-03-05")):
        capture = made_capture(f"{day}T23:59:59", sags=[(0.5, 0.9, 0.5)], seed=i)
        write_capture(capture, fleet.inbox / SITE / f"{i}.cfg")
    place = fleet.store / ".flows"
    place.mkdir(parents=True)
    for path in (demo[0] / "store" / ".flows").glob("runs.db*"):
        shutil.copy(path, place)
    return config


# --- Following processes ---------------------------------------------------------------------------------------------


def runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def assert_gone(pids: set[int]) -> None:
    deadline = time.monotonic() + GONE_WITHIN_S
    while any(runs(pid) for pid in pids) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert [pid for pid in pids if runs(pid)] == []


class Followed:
    """A command under way, and every process that it has been seen to start."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.seen: set[int] = set()

    def look(self) -> None:
        self.seen |= descendants_of(self.process.pid)

    def until(self, path: Path, *, at_most_s: float = 600.0) -> None:
        """Follow the command until a file is there."""
        deadline = time.monotonic() + at_most_s
        while not path.exists():
            assert self.process.poll() is None, "the command ended too soon"
            assert time.monotonic() < deadline, f"{path.name} did not come"
            self.look()
            time.sleep(0.02)
        self.look()

    def end(self, *, at_most_s: float = 600.0) -> tuple[int, str, str]:
        """Follow the command to its end; its status and words."""
        deadline = time.monotonic() + at_most_s
        while self.process.poll() is None and time.monotonic() < deadline:
            self.look()
            time.sleep(0.05)
        out, err = self.process.communicate(timeout=60)
        return self.process.returncode, out, err


@contextmanager
def followed(*words: str | Path, env: dict[str, str]) -> Iterator[Followed]:
    with subprocess.Popen(
        [str(command()), *(str(word) for word in words)], env=env, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    ) as process:  # fmt: skip
        run = Followed(process)
        try:
            yield run
        finally:
            run.look()
            process.kill()
            for pid in run.seen:
                if runs(pid):
                    os.kill(pid, signal.SIGKILL)


def undisturbed(config: Path, folder: Path) -> dict[str, str]:
    """The catalogue that a run without Prefect makes of the same inbox."""
    copy = folder / "undisturbed"
    shutil.copytree(config.parent, copy)
    done = plain_run(copy / "fleet.toml")
    assert done.returncode == 0, done.stderr
    return catalogue_bytes(copy / "store")


def assert_no_noise(text: str) -> None:
    for word in ("prefect", "Prefect", "Traceback", "flow run", "Task run", "INFO", "WARNING", "ERROR"):
        assert word not in text


# --- Demo and nightly ------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_the_demo_shows_its_catalogue_without_a_word_from_prefect(
    demo: Demo,
) -> None:
    folder, done = demo
    assert done.returncode == 0, done.stderr
    assert_no_noise(done.stdout + done.stderr)
    assert f"catalogue: {folder / 'events.parquet'}" in done.stdout
    assert "quarantined" in done.stderr
    table = pq.read_table(folder / "events.parquet")
    fleet = loaded(folder / "fleet.toml")
    assert table.num_rows == len(events_in(fleet)) > 10
    for site in {site.name for site in fleet.sites}:
        assert site in done.stdout


@pytest.mark.long
def test_the_demo_has_the_catalogue_of_a_run_without_prefect(demo: Demo, tmp_path: Path) -> None:
    from halfcycle.pipeline.demo import build_demo_fleet, write_demo_config

    build_demo_fleet(tmp_path / "fleet")
    assert plain_run(write_demo_config(tmp_path / "fleet")).returncode == 0
    assert catalogue_bytes(demo[0] / "store") == catalogue_bytes(tmp_path / "fleet" / "store")
    fleet = loaded(tmp_path / "fleet" / "fleet.toml")
    write_table(read_catalogue(fleet, [day for day, _ in days_of(fleet)]), tmp_path / "events.parquet")
    assert (tmp_path / "events.parquet").read_bytes() == (demo[0] / "events.parquet").read_bytes()


@pytest.mark.long
def test_a_night_with_nothing_new_does_nothing_and_says_so_at_once(demo: Demo, home: dict[str, str]) -> None:
    before = catalogue_bytes(demo[0] / "store")
    nowhere = {**home, "PREFECT_API_URL": "http://127.0.0.1:9/api"}  # no server is asked: there is none
    done = installed_halfcycle("nightly", "--config", demo[0] / "fleet.toml", env=nowhere)
    assert done.returncode == 0
    assert "nothing new" in done.stdout
    assert done.stderr == ""
    assert catalogue_bytes(demo[0] / "store") == before


@pytest.mark.parametrize(
    "runner",
    [
        pytest.param('task_runner = "threads"', id="threads"),
        pytest.param('task_runner = "processes"', id="processes"),
        pytest.param('engine = "dask"', id="dask"),
    ],
)
@pytest.mark.long
def test_a_night_ends_with_its_summary_and_leaves_no_process(
    config: Path, home: dict[str, str], tmp_path: Path, runner: str
) -> None:
    config.write_text(config.read_text().replace("[run]", f"[run]\n{runner}"))
    fleet = loaded(config)
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    expected = undisturbed(config, tmp_path)
    with followed("nightly", "--config", config, env=home) as run:
        status, out, err = run.end()
        assert status == 3, err
        assert out.splitlines() == [
            "files: 3 stored, 0 already stored, 1 quarantined; 3 new captures",
            "catalogues: 5 days rebuilt with 3 events; 0.1 min judged, 0.0 min not judged",
            "files of months: 2026-03 written",
        ]
        assert len(err.splitlines()) == 1
        assert "bad.csv" in err
        assert_no_noise(err)
        assert len(run.seen) >= (1 if "threads" in runner else 3)  # the server, and two workers
        assert_gone(run.seen)
    assert names(fleet.inbox) == []
    assert catalogue_bytes(fleet.store) == expected


@pytest.mark.long
def test_a_run_that_cannot_do_its_job_fails_with_a_word_and_no_traceback(config: Path, home: dict[str, str]) -> None:
    fleet = loaded(config)
    (fleet.store / "catalogue").write_text("a file in place of the folder")
    with followed("nightly", "--config", config, env=home) as run:
        status, out, err = run.end()
        assert status == 1
        assert out == ""
        assert len(err.splitlines()) == 1
        assert "catalogue: cannot be written" in err
        assert_no_noise(err)
        assert_gone(run.seen)
    (fleet.store / "catalogue").unlink()
    assert plain_run(config).returncode == 0
    assert len(events_in(fleet)) == 3


def states_of(fleet: Fleet, task: str) -> list[tuple[str, int]]:
    """States of a task's runs by Prefect's own history, with how often each was begun."""
    with closing(sqlite3.connect(f"file:{fleet.store / '.flows' / 'runs.db'}?mode=ro", uri=True)) as history:
        return history.execute(
            "select state_name, run_count from task_run where name like ?", (f"{task}-%",)
        ).fetchall()


@pytest.mark.long
def test_a_night_that_its_store_failed_is_tried_again(config: Path, home: dict[str, str], tmp_path: Path) -> None:
    config.write_text(config.read_text().replace("retries = 0", "retries = 3\nretry_after_s = 2.0"))
    fleet = loaded(config)
    expected = undisturbed(config, tmp_path)
    (fleet.store / "catalogue").write_text("a file in place of the folder")
    before = len(states_of(fleet, "night"))
    with followed("nightly", "--config", config, env=home) as run:
        deadline = time.monotonic() + 600
        while "AwaitingRetry" not in [name for name, _ in states_of(fleet, "night")] and time.monotonic() < deadline:
            run.look()
            time.sleep(0.05)
        (fleet.store / "catalogue").unlink()
        status, out, err = run.end()
    assert (status, err) == (0, "")
    assert "3 stored" in out or "catalogues: 5 days" in out
    ((name, count),) = states_of(fleet, "night")[before:]
    assert name == "Completed"
    assert count >= 2
    assert catalogue_bytes(fleet.store) == expected


@pytest.mark.long
def test_a_night_that_takes_too_long_is_ended_with_a_word_and_the_next_one_finishes_it(
    config: Path, home: dict[str, str], tmp_path: Path
) -> None:
    expected = undisturbed(config, tmp_path)
    text = config.read_text()
    config.write_text(text.replace("[run]", "[run]\nlongest_night_h = 1e-5"))
    fleet = loaded(config)
    with followed("nightly", "--config", config, env=home) as run:
        status, out, err = run.end()
        assert (status, out) == (1, "")
        assert "took longer than 1e-05 h" in err.splitlines()[0]  # processes under way may say what ended them
        assert_gone(run.seen)
    assert last_runs(fleet)[-1].error in err.splitlines()[0]
    config.write_text(text)
    assert plain_run(config).returncode == 0
    assert catalogue_bytes(fleet.store) == expected


def test_a_store_that_is_a_file_is_a_clear_error_before_any_server_starts(tmp_path: Path, home: dict[str, str]) -> None:
    config = write_fleet(tmp_path / "fleet")
    (tmp_path / "fleet" / "store").write_text("a file")
    done = installed_halfcycle("nightly", "--config", config, env=home)
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert "store/.lock: cannot be opened" in done.stderr


# --- Runs that are stopped -------------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize(
    ("moment", "how"),
    [
        (".flows/server.log", signal.SIGINT),  # while the server starts
        (".flows/server.log", signal.SIGKILL),
        ("waveforms", signal.SIGINT),  # while the flow works
        ("waveforms", signal.SIGTERM),
        ("waveforms", signal.SIGKILL),
    ],
)
def test_a_run_that_is_stopped_leaves_no_process_and_the_next_one_finishes_it(
    config: Path, home: dict[str, str], tmp_path: Path, moment: str, how: signal.Signals
) -> None:
    fleet = loaded(config)
    expected = undisturbed(config, tmp_path)
    with followed("nightly", "--config", config, env=home) as run:
        run.until(fleet.store / moment)
        run.process.send_signal(how)
        status, _, err = run.end()
        assert status == (1 if how == signal.SIGINT else -how), err
        if how == signal.SIGINT:
            assert err == "stopped\n"
        assert run.seen
        assert_gone(run.seen)
    assert plain_run(config).returncode == 0
    assert names(fleet.inbox) == []
    assert catalogue_bytes(fleet.store) == expected


@pytest.mark.long
def test_worker_processes_end_with_a_run_that_is_killed(config: Path, home: dict[str, str], tmp_path: Path) -> None:
    config.write_text(config.read_text().replace("[run]", '[run]\ntask_runner = "processes"'))
    fleet = loaded(config)
    expected = undisturbed(config, tmp_path)
    with followed("nightly", "--config", config, env=home) as run:
        run.until(fleet.store / "waveforms")
        assert len(run.seen) >= 3
        run.process.kill()
        assert run.end()[0] == -signal.SIGKILL
        assert_gone(run.seen)
    assert plain_run(config).returncode == 0
    assert catalogue_bytes(fleet.store) == expected


# --- What Prefect is told --------------------------------------------------------------------------------------------

STATES = """
import json, sys
from pathlib import Path
from halfcycle.pipeline.flows.temporary_server import prefect_api
from halfcycle.pipeline.flows.nightly import nightly
from prefect.client.orchestration import get_client
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

with prefect_api(Path(sys.argv[1])), temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
    told = []
    for config in sys.argv[2:]:
        state = nightly(config=config, return_state=True)
        with get_client(sync_client=True) as client:
            run = client.read_flow_run(state.state_details.flow_run_id)
        told.append([state.type.value, run.state.type.value, run.state.message or ""])
print(json.dumps(told))
"""


@pytest.mark.long
def test_the_flows_state_is_failed_only_where_the_run_could_not_do_its_job(
    config: Path, home: dict[str, str], tmp_path: Path
) -> None:
    fleet = loaded(config)
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    broken = write_fleet(tmp_path / "broken", run="retries = 0")
    write_capture(made_capture("2026-03-01T12:00:00"), loaded(broken).inbox / SITE / "a.csv")
    (tmp_path / "broken" / "store").mkdir()
    (tmp_path / "broken" / "store" / "waveforms").write_text("a file in place of the folder")
    done = subprocess.run(
        [sys.executable, "-c", STATES, str(fleet.store / ".flows"), str(config), str(config), str(broken)],
        env=home, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    with_bad_file, with_nothing, failed = json.loads(done.stdout.splitlines()[-1])
    assert with_bad_file == ["COMPLETED", "COMPLETED", "1 file quarantined"]
    assert with_nothing[:2] == ["COMPLETED", "COMPLETED"]
    assert failed[:2] == ["FAILED", "FAILED"]
    assert "cannot be written" in failed[2]


# --- Served on a schedule --------------------------------------------------------------------------------------------


def api_of(run: Followed) -> str:
    """Address of the server that a command started, from the server's own command line."""
    for pid in run.seen:
        words = Path(f"/proc/{pid}/cmdline").read_text().split("\0") if runs(pid) else []
        if "halfcycle.pipeline.flows.temporary_server" in words:
            return f"http://127.0.0.1:{words[words.index('halfcycle.pipeline.flows.temporary_server') + 1]}/api"
    raise AssertionError("no server was started")


def deployment_of(run: Followed, fleet: Fleet, *, cron: str) -> str:
    """Id of the deployment that a served flow makes, once it is there with its schedule."""
    database = fleet.store / ".flows" / "runs.db"
    found: list[tuple[str, str]] = []
    deadline = time.monotonic() + 60
    while not found and time.monotonic() < deadline:
        assert run.process.poll() is None, run.process.communicate()
        run.look()
        time.sleep(0.2)
        with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as history:
            found = history.execute(
                "select d.id, s.schedule from deployment d join deployment_schedule s on s.deployment_id = d.id"
                " where d.name = ? and s.active",
                (f"nightly-{fleet_name(fleet.store.parent / 'fleet.toml')}",),
            ).fetchall()
    ((deployment, schedule),) = found
    assert json.loads(schedule)["cron"] == cron
    assert json.loads(schedule)["timezone"] in (None, "UTC")
    return deployment


def ask_for_a_run(run: Followed, deployment: str) -> None:
    import httpx

    for _ in range(20):
        answer = httpx.post(f"{api_of(run)}/deployments/{deployment}/create_flow_run", json={}, timeout=20)
        if answer.status_code != 503:  # a database that is locked for the moment
            break
        time.sleep(0.5)
    assert answer.status_code == 201


@pytest.mark.long
def test_a_served_flow_is_scheduled_runs_when_asked_to_and_ends_on_ctrl_c(config: Path, home: dict[str, str]) -> None:
    fleet = loaded(config)
    with followed("nightly", "--config", config, "--serve", "--cron", "30 2 * * *", env=home) as run:
        ask_for_a_run(run, deployment_of(run, fleet, cron="30 2 * * *"))
        deadline = time.monotonic() + 60
        while len(catalogue_bytes(fleet.store)) < 5 and time.monotonic() < deadline:
            run.look()
            time.sleep(0.2)
        assert names(fleet.inbox) == []
        assert len(events_in(fleet)) == 3
        run.process.send_signal(signal.SIGINT)
        status, out, err = run.end()
        assert status == 0, err
        assert "Traceback" not in out + err
        assert_gone(run.seen)


@pytest.mark.long
def test_a_scheduled_run_ends_with_the_process_that_serves_it(
    config: Path, home: dict[str, str], tmp_path: Path
) -> None:
    fleet = loaded(config)
    expected = undisturbed(config, tmp_path)
    with followed("nightly", "--config", config, "--serve", "--cron", "30 2 * * *", env=home) as run:
        ask_for_a_run(run, deployment_of(run, fleet, cron="30 2 * * *"))
        run.until(fleet.store / "waveforms")
        assert len(run.seen) >= 2  # the server, and the run
        run.process.kill()
        assert run.end()[0] == -signal.SIGKILL
        assert_gone(run.seen)
    assert plain_run(config).returncode == 0
    assert catalogue_bytes(fleet.store) == expected


ARTIFACTS = """
import json, sys
from pathlib import Path
from halfcycle.pipeline.flows.temporary_server import prefect_api
from halfcycle.pipeline.flows.nightly import nightly
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import ArtifactFilter, ArtifactFilterFlowRunId
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

with prefect_api(Path(sys.argv[1])), temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
    state = nightly(config=sys.argv[2], return_state=True)
    run = state.state_details.flow_run_id
    with get_client(sync_client=True) as client:
        found = client.read_artifacts(
            artifact_filter=ArtifactFilter(flow_run_id=ArtifactFilterFlowRunId(any_=[run]))
        )
    print(json.dumps([state.type.value, {one.key: [one.type, one.data] for one in found}]))
"""


@pytest.mark.long
def test_a_night_publishes_its_pages_and_leaves_its_summary_and_its_worst_events(
    config: Path, home: dict[str, str]
) -> None:
    text = config.read_text(encoding="utf-8")
    config.write_text(f'{text}\n[report]\nfolder = "pages"\naddress = "https://pq.example"\n', encoding="utf-8")
    fleet = loaded(config)
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    done = subprocess.run(
        [sys.executable, "-c", ARTIFACTS, str(fleet.store / ".flows"), str(config)],
        env=home, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    state, artifacts = json.loads(done.stdout.splitlines()[-1])
    assert state == "COMPLETED"
    kind, markdown = artifacts["halfcycle-night"]
    assert kind == "markdown"
    assert "4 files; 1 quarantined" in markdown
    assert "5 days rebuilt with 3 events" in markdown
    assert "[report](<https://pq.example/index.html>): 2 pages written" in markdown
    assert "bad.csv" in markdown
    kind, rows = artifacts["halfcycle-worst-events"]
    assert kind == "table"
    worst = json.loads(rows)
    assert sorted(row["event"] for row in worst) == sorted(event.event_id for event in events_in(fleet))
    for row in worst:
        name, _, place = row["page"].removeprefix("https://pq.example/").partition("#")
        assert f'id="{place}"' in (config.parent / "pages" / name).read_text(encoding="utf-8")
        assert f"[{SITE}](<{row['page']}>)" in markdown
    idle = installed_halfcycle("nightly", "--config", config, env=home)
    assert "nothing new" in idle.stdout
    shutil.rmtree(config.parent / "pages")
    again = installed_halfcycle("nightly", "--config", config, env=home)
    assert again.returncode == 0, again.stderr
    assert f"report: {config.parent / 'pages'}" in again.stdout
    assert (config.parent / "pages" / "index.html").is_file()


@pytest.mark.long
def test_what_a_served_run_sets_aside_is_in_its_log_and_the_run_has_its_fleets_name(
    config: Path, home: dict[str, str]
) -> None:
    fleet = loaded(config)
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    with followed("nightly", "--config", config, "--serve", "--cron", "30 2 * * *", env=home) as run:
        ask_for_a_run(run, deployment_of(run, fleet, cron="30 2 * * *"))
        deadline = time.monotonic() + 120
        while not list((fleet.quarantine).rglob("bad.csv")) and time.monotonic() < deadline:
            time.sleep(0.2)
        history = fleet.store / ".flows" / "runs.db"
        ended: list[tuple[str, str]] = []
        while not ended and time.monotonic() < deadline:
            time.sleep(0.2)
            with closing(sqlite3.connect(f"file:{history}?mode=ro", uri=True)) as runs_made:
                ended = runs_made.execute(
                    "select name, tags from flow_run where state_type = 'COMPLETED' and name like ?",
                    (f"{fleet_name(config)} %",),
                ).fetchall()
        run.process.send_signal(signal.SIGINT)
        status, out, err = run.end()
        assert status == 0, err
    ((name, tags),) = ended
    assert name.startswith(f"{fleet_name(config)} 20")
    assert fleet_name(config) in json.loads(tags)
    assert "bad.csv" in out + err
    assert "1 quarantined" in out + err


def test_two_fleets_have_two_names(tmp_path: Path) -> None:
    configs = [write_fleet(tmp_path / name) for name in ("a/fleet", "b/fleet")]
    assert len({fleet_name(config) for config in configs}) == 2
    assert all(fleet_name(config).startswith("fleet-") for config in configs)
