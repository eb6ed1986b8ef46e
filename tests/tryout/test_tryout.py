"""Every command with every option, generated from the commands' own signatures: status, words, files, workers.

    pytest -m exam tests/tryout

tries each option with each of its values, alone, in pairs and all together, on a large archive. The plain run tries
all options together on a small one. A new option fails here until `values.TABLE` says what it is tried with.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer
from deltalake import DeltaTable
from made_cluster import scheduler_elsewhere
from made_fleet import COMMAND, digests, run_code
from stage import Stage, set_up
from values import TABLE, Tried

from halfcycle.pipeline.cli import commands

SOURCE = (
    "the project's own design: exit status, one sentence for what is wrong, the same bytes for any number of workers"
)
# What works on batches works in its processes from the first batch on, however small the archive.
AT_ONCE = """
import halfcycle.pipeline.processes as p
made = p._Processes.__init__
p._Processes.__init__ = lambda self, workers, *, begins_here=True: made(
    self, workers, begins_here=begins_here and workers in (None, 1)
)
"""
TIMEOUT_S = 900


def signatures() -> dict[str, list[Any]]:
    """The options of each command, as its own function declares them."""
    commands._register()

    def walk(command: Any, name: str) -> Iterator[tuple[str, list[Any]]]:
        inner = getattr(command, "commands", {})
        for key, value in inner.items():
            yield from walk(value, f"{name} {key}".strip())
        options = [one for one in command.params if one.param_type_name == "option"]
        if options or not inner:
            yield name, options

    return dict(walk(typer.main.get_command(commands.typer_app), ""))


@dataclass(frozen=True)
class Trial:
    """One call: the command and its options, each with a value."""

    command: str
    options: tuple[tuple[str, str | None], ...]

    @property
    def is_refused(self) -> bool:
        names = {name for name, _ in self.options}
        return any(apart <= names for apart in TABLE[self.command].apart)

    def words(self, stage: Stage, out: Path) -> list[str]:
        tried = TABLE[self.command]
        in_place = any(name in tried.instead for name, _ in self.options)
        words = [*self.command.split(), *(() if in_place else tried.words)]
        for name, value in self.options:
            words += [name] if value is None else [name, value]
        return [stage.filled(word, out) for word in words]


def completed(command: str, options: dict[str, str | None]) -> Trial:
    """A trial of some options with those that the command, or one of them, needs beside them."""
    tried = TABLE[command]
    for name in [name for name in options if name in (tried.with_ or {})]:
        beside = (tried.with_ or {})[name]
        options = {**beside, **options, **{one: value for one, value in beside.items() if one in tried.needs}}
    for name in tried.needs:
        if name not in options and not any(name in apart and apart & options.keys() for apart in tried.apart):
            options[name] = tried.options[name][0]
    return Trial(command, tuple(sorted(options.items())))


def together(command: str, *, leave_out: Collection[str] = ()) -> list[Trial]:
    """All options at once; where some are apart, once with the ones and once with the others."""
    tried = TABLE[command]
    names = [name for name in tried.options if name not in leave_out and name not in tried.stops]
    trials = []
    for order in (names, names[::-1]):
        kept: dict[str, str | None] = {}
        for name in order:
            if not any(name in apart and apart <= {*kept, name} for apart in tried.apart):
                kept[name] = tried.options[name][0]
        trials.append(completed(command, kept))
    return list(dict.fromkeys(trials))


def alone(command: str) -> list[Trial]:
    """Each option with each of its values."""
    options = TABLE[command].options.items()
    return [completed(command, {name: value}) for name, values in options for value in values]


def pairs(command: str) -> list[Trial]:
    """Each two options."""
    options = TABLE[command].options
    found = (
        completed(command, {one: options[one][0], other: options[other][0]})
        for one, other in itertools.combinations(options, 2)
    )
    return list(dict.fromkeys(found))


def run(trial: Trial, stage: Stage, out: Path, *, terminal: bool = False, code: str = AT_ONCE + COMMAND) -> str:
    """Run a trial and check what holds for each; gives what it said."""
    out.mkdir(parents=True, exist_ok=True)
    words = trial.words(stage, out)
    done = run_code(code, *words, cwd=out, terminal=terminal, timeout_s=TIMEOUT_S)
    said = done.stdout + done.stderr
    told = f"halfcycle {' '.join(words)}\n{said}"
    assert "Traceback" not in said, told
    assert "unexpected " not in said, told
    if trial.is_refused:
        assert done.returncode == 2, told
        assert said.strip(), told
        return said
    assert done.returncode in (0, 3), told
    if not any(name in TABLE[trial.command].stops for name, _ in trial.options):
        assert all(Path(word).exists() for word in words if word.startswith(str(out))), told
    for path in out.rglob("*.quarantine.csv"):
        assert "unexpected" not in path.read_text("utf-8"), path.read_text("utf-8")
    return said


def test_every_command_and_option_is_tried() -> None:
    # SOURCE.
    declared = {name: {option.opts[0] for option in options} for name, options in signatures().items()}
    assert {name: set(tried.options) for name, tried in TABLE.items()} == declared


def test_the_help_says_what_each_option_takes() -> None:
    unsaid = [
        f"{command} {option.opts[0]}"
        for command, options in signatures().items()
        for option in options
        if not option.is_flag and option.metavar is None
    ]
    assert not unsaid  # a type of Python would stand there
    assert sum(not option.is_flag for options in signatures().values() for option in options) > 100


def test_a_new_option_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE.
    fewer = {name: value for name, value in TABLE["screen"].options.items() if name != "--strict"}
    monkeypatch.setitem(TABLE, "screen", Tried(("{archive}",), fewer))
    with pytest.raises(AssertionError):
        test_every_command_and_option_is_tried()


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Stage:
    return set_up(tmp_path_factory.mktemp("stage"), large=False)


LONGER = ("report", "measure", "catalogue")  # of those that are quick
QUICK = [
    pytest.param(name, marks=pytest.mark.long) if name in LONGER else name
    for name, tried in TABLE.items()
    if not tried.is_long
]


@pytest.mark.parametrize("command", QUICK)
@pytest.mark.long
def test_all_options_together_piped_and_on_a_terminal_write_the_same(
    command: str, stage: Stage, tmp_path: Path
) -> None:
    # SOURCE. Over two processes where the output is piped, in one on a terminal.
    piped, screened = tmp_path / "piped", tmp_path / "terminal"
    first, *others = together(command, leave_out=TABLE[command].long)
    out = tmp_path / "out"
    assert run(first, stage, out).strip()
    out.rename(piped)
    assert run(with_workers(first, "1"), stage, out, terminal=True).strip()
    out.rename(screened)
    assert written(piped) == written(screened)
    for other in others:
        assert run(other, stage, out).strip()


def written(folder: Path) -> dict[str, str]:
    """Digests of the files that a command wrote, and the rows of a Delta table, whose files have names drawn anew.

    A lock names the process that held it.
    """
    tables = {log.parent for log in folder.rglob("_delta_log")}
    own = {str(path.relative_to(folder)) for table in tables for path in table.rglob("*")}
    read = {str(table.relative_to(folder)): DeltaTable(str(table)).to_pyarrow_table() for table in tables}
    rows = {name: str(table.to_pylist()) for name, table in read.items()}
    return rows | {n: digest for n, digest in digests(folder).items() if n not in own and not n.endswith(".lock")}


def with_workers(trial: Trial, number: str) -> Trial:
    """A trial with another number of processes, where it names one."""
    options = tuple((name, number if name == "--workers" else value) for name, value in trial.options)
    return Trial(trial.command, options)


# --- the long run


@pytest.fixture(scope="module")
def large_stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    folder = tmp_path_factory.mktemp("large")
    with scheduler_elsewhere(folder) as scheduler:
        stage = set_up(folder / "stage", large=True)
        yield Stage({**stage.paths, "scheduler": scheduler})


@pytest.mark.exam
@pytest.mark.parametrize("terminal", [False, True], ids=["piped", "terminal"])
@pytest.mark.parametrize("command", list(TABLE))
def test_each_option_alone_and_each_two_of_them(
    command: str, terminal: bool, large_stage: Stage, tmp_path: Path
) -> None:
    # SOURCE.
    trials = alone(command) if TABLE[command].is_long else [*alone(command), *pairs(command)]
    for i, trial in enumerate([*trials, *together(command)]):
        run(trial, large_stage, tmp_path / str(i), terminal=terminal, code=COMMAND)


@pytest.mark.exam
@pytest.mark.parametrize("command", ["screen", "measure"])
def test_one_two_and_four_workers_write_the_same_bytes(command: str, large_stage: Stage, tmp_path: Path) -> None:
    # SOURCE.
    trial = together(command)[0]
    found = {}
    for number in ("1", "2", "4"):
        run(with_workers(trial, number), large_stage, tmp_path / "out", code=COMMAND)
        found[number] = written(tmp_path / "out")
        (tmp_path / "out").rename(tmp_path / number)
    assert found["1"]
    assert found["1"] == found["2"] == found["4"]
