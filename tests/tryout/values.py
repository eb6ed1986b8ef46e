"""What each option of each command is tried with. Which options there are is not said here: the commands' own do."""

from __future__ import annotations

from dataclasses import dataclass

Values = tuple[str | None, ...]  # None: the option takes none


@dataclass(frozen=True)
class Tried:
    """How one command is tried.

    Attributes
    ----------
    words : that it needs in any case. ``{name}`` stands for a path of `Stage`, ``{out}/…`` for a file of the run.
    options : by their first name, the values of each that are tried; the first one where options go together.
    needs : options that it needs in any case, or else one that is apart from them.
    apart : options that the command refuses to take together, in one sentence and with status 2.
    with_ : options with their values that one needs beside it.
    instead : options that stand in place of the words.
    stops : options that say something and end the command there.
    long : options whose trial takes many seconds: tried in the long run alone.
    is_long : the command takes many seconds whatever its options.
    """

    words: tuple[str, ...]
    options: dict[str, Values]
    needs: tuple[str, ...] = ()
    apart: tuple[frozenset[str], ...] = ()
    with_: dict[str, dict[str, str]] | None = None
    instead: frozenset[str] = frozenset()
    stops: frozenset[str] = frozenset()
    long: frozenset[str] = frozenset()
    is_long: bool = False


_HOOKUPS: Values = ("four-wire", "three-wire", "single-phase", "split-phase")
_FLAG: Values = (None,)
_ENGINE: dict[str, Values] = {"--engine": ("dask", "processes"), "--scheduler": ("{scheduler}",)}
_TABLES: Values = ("{out}/t.parquet", "{out}/t.csv", "{out}/t.ndjson")

TABLE: dict[str, Tried] = {
    "": Tried((), {"--version": _FLAG}),
    "demo": Tried((), {"--out": ("{out}/fleet",), "--worst": ("3", "0")}, is_long=True),
    "screen": Tried(
        ("{archive}",),
        {
            "--out": ("{out}/events.parquet", "{out}/events.csv", "{out}/events.ndjson"),
            "--nominal-voltage": ("230", "0.001"), "--nominal-frequency": ("50", "60"), "--hookup": _HOOKUPS,
            "--thresholds": ("iec-61000-4-30", "ieee-1159"), "--detect": ("all", "transient,inrush", "harmonics"),
            "--explain": _FLAG, "--model": ("{model}",), "--worst": ("3", "0"), "--workers": ("2", "1", "4"),
            "--notes": _FLAG, "--settings": ("{fleet}",), "--sites": ("{sites}",), "--strict": _FLAG,
            "--uncertainty": ("standard", "full"), "--key": ("{key}",), **_ENGINE,
        },
        needs=("--out",),
        with_={"--scheduler": {"--engine": "dask"}},
        long=frozenset({"--model", *_ENGINE}),
    ),
    "inspect": Tried(
        ("{file}",),
        {
            "--hookup": _HOOKUPS, "--nominal-voltage": ("230",), "--diagram": ("{out}/d.svg", "{out}/d.png"),
            "--sites": ("{sites}",), "--strict": _FLAG,
        },
    ),
    "hookup": Tried(
        ("four-wire",), {"--nominal-voltage": ("230", "11000"), "--diagram": ("{out}/h.svg", "{out}/h.png")}
    ),
    "measure": Tried(
        ("{archive}",),
        {
            "--out": _TABLES, "--store": ("{out}/store",), "--interval": ("1", "600", "150/180"),
            "--quantities": ("u_rms,f,thd_u", "uh", "all"), "--limits": ("en-50160-lv",),
            "--verdicts": ("{out}/v.csv", "{out}/v.parquet"), "--nominal-voltage": ("230",),
            "--nominal-frequency": ("50", "60"), "--hookup": _HOOKUPS, "--demand-current": ("100",),
            "--demand-interval": ("60", "900"), "--signal": ("175",), "--lamp": ("230", "120"),
            "--sites": ("{sites}",), "--workers": ("2", "1", "4"), "--strict": _FLAG, "--list": _FLAG,
            "--uncertainty": ("standard", "none"), "--key": ("{key}",),
            **_ENGINE,
        },
        needs=("--out",),
        with_={"--verdicts": {"--limits": "en-50160-lv"}, "--scheduler": {"--engine": "dask"}},
        long=frozenset(_ENGINE),
        stops=frozenset({"--list"}),
    ),
    "export": Tried(
        ("{file}",),
        {
            "--out": ("{out}/x.cfg", "{out}/x.pqd", "{out}/x.cff", "{out}/x.parquet", "{out}/x.csv", "{out}/x.npz",
                      "{out}/x.mat"),
            "--data": ("BINARY", "ASCII", "BINARY32", "FLOAT32"), "--revision": ("2013", "1999", "1991"),
            "--separator": (";", "\t"), "--decimal": (".", ","), "--sites": ("{sites}",),
        },
        needs=("--out",),
        apart=(
            frozenset({"--data", "--separator"}), frozenset({"--data", "--decimal"}),
            frozenset({"--revision", "--separator"}), frozenset({"--revision", "--decimal"}),
        ),
        with_={
            "--separator": {"--out": "{out}/x.csv"},
            "--decimal": {"--out": "{out}/x.csv", "--separator": ";"},
            "--data": {"--out": "{out}/x.cfg"},
            "--revision": {"--out": "{out}/x.cfg", "--data": "BINARY"},
        },
    ),
    "show": Tried(
        ("{event}",),
        {
            "--in": ("{catalogue}",), "--config": ("{fleet}",), "--out": ("{out}/e.svg", "{out}/e.png"),
            "--samples": ("{out}/e.csv",), "--files": ("{archive}",), "--sites": ("{sites}",), "--before": ("3", "0"),
            "--after": ("3", "0"),
        },
        needs=("--in",),
        apart=(frozenset({"--sites", "--config"}),),
    ),
    "why": Tried(
        ("{event}", "{catalogue}"),
        {"--config": ("{fleet}",), "--files": ("{archive}",), "--key": ("{key}",)},
        apart=(frozenset({"--config", "--key"}),),
    ),
    "report": Tried(
        ("{catalogue}",),
        {
            "--out": ("{out}/r.html",), "--config": ("{fleet}",), "--from": ("2026-03-01",), "--to": ("2026-03-02",),
            "--files": ("{archive}",), "--sites": ("{sites}",), "--coverage": ("{coverage}",), "--judged-days": ("30",),
            "--curve": ("semi-f47", "iec-class-2-60hz"), "--worst": ("2", "0"), "--title": ("March [x]",),
            "--pdf": _FLAG,
            "--locale": ("de_DE",), "--pictures": ("{out}/pictures",), "--summary": ("{out}/answer.md",),
            "--trend": ("{trend}",), "--limits": ("en-50160-lv",),
        },
        apart=(frozenset({"--sites", "--config"}),),
        needs=("--out",), with_={"--limits": {"--trend": "{trend}"}},
        long=frozenset({"--pdf"}),
    ),
    "indices": Tried(
        ("{catalogue}",),
        {
            "--out": _TABLES, "--coverage": ("{coverage}",), "--judged-days": ("30",), "--rate-days": ("365",),
            "--window": ("0", "60"),
        },
    ),
    "incidents": Tried(
        ("{catalogue}",),
        {
            "--config": ("{fleet}",), "--out": ("{out}/i.csv",), "--events": ("{out}/e.parquet",),
            "--clocks": ("{out}/c.csv",), "--topology": ("{topology}",),
            "--waveforms": ("2", "0"), "--files": ("{archive}",), "--most": ("3", "0"),
        },
        instead=frozenset({"--config"}),
    ),
    "ingest": Tried((), {"--config": ("{fleet}",)}, needs=("--config",)),
    # What stays and runs every night is tried in tests/flows: alone, each of these two is wrong usage.
    "nightly": Tried(
        (),
        {"--config": ("{fleet}",), "--serve": _FLAG, "--cron": ("0 2 * * *",)},
        needs=("--config",), apart=(frozenset({"--serve"}), frozenset({"--cron"})), is_long=True,
    ),
    "catalogue": Tried(
        (),
        {
            "--config": ("{fleet}",), "--out": _TABLES, "--delta": ("{out}/events",), "--site": ("Quarry Road",),
            "--from": ("2026-03-01",), "--to": ("2026-03-02",), "--rebuild": _FLAG, "--worst": ("3", "0"),
        },
        needs=("--config",),
    ),
    "quarantine": Tried(
        (),
        {"--config": ("{fleet}",), "--retry": ("*",), "--retry-all": _FLAG, "--out": _TABLES},
        needs=("--config",), apart=(frozenset({"--retry", "--retry-all"}),),
    ),
    "status": Tried(
        (), {"--config": ("{fleet}",), "--out": ("{out}/s.json",), "--day": ("2026-03-02",)}, needs=("--config",)
    ),
    "plan": Tried((), {"--config": ("{fleet}",), "--out": _TABLES}, needs=("--config",)),
    "verify": Tried((), {"--config": ("{fleet}",), "--repair": _FLAG, "--out": _TABLES}, needs=("--config",)),
    "train": Tried(
        (),
        {
            "--out": ("{out}/model",), "--labels": ("{labels}",), "--sites": ("{sites}",), "--family": _FLAG,
            "--per-class": ("20",), "--seed": ("2",), "--suggest": ("{catalogue}",), "--count": ("5", "1"),
            "--files": ("{archive}",),
        },
        needs=("--out", "--per-class"), is_long=True,
        # The table of labels tried is no catalogue, so that its events are not known among those of one.
        apart=tuple(
            frozenset({one, other})
            for one in ("--suggest", "--count")
            for other in ("--per-class", "--seed", "--family", "--labels")
        ),
        with_={
            "--suggest": {"--out": "{out}/next.csv"},
            "--count": {"--suggest": "{catalogue}", "--out": "{out}/next.csv"},
        },
    ),
    "benchmark detectors": Tried(
        (),
        {
            "--suite": ("{detectors}",), "--out": ("{out}/b",), "--seed": ("3",), "--contenders": ("halfcycle",),
            "--plots": _FLAG, "--workers": ("2",), **_ENGINE,
        },
        with_={"--scheduler": {"--engine": "dask"}},
        needs=("--suite", "--out", "--contenders"),
        is_long=True,
    ),
    "benchmark circuits": Tried(
        (),
        {"--suite": ("{circuits}",), "--out": ("{out}/b",), "--seed": ("3",), "--workers": ("2",), **_ENGINE},
        needs=("--suite", "--out"),
        with_={"--scheduler": {"--engine": "dask"}},
        is_long=True,
    ),
    "benchmark measured": Tried(
        ("{archive}",),
        {
            "--out": ("{out}/b",), "--sites": ("{sites}",), "--nominal-voltage": ("230",),
            "--nominal-frequency": ("50",), "--by": ("site", "folder", "file"), "--test-share": ("0.5",),
            "--detect": ("transient",), "--labels": ("{labels}",),
            "--seed": ("3",), "--workers": ("2",), **_ENGINE,
        },
        needs=("--out",),
        with_={"--scheduler": {"--engine": "dask"}},
        is_long=True,
    ),
    "benchmark export": Tried(
        (),
        {"--suite": ("{detectors}", "{circuits}"), "--out": ("{out}/b",), "--seed": ("3",)},
        needs=("--suite", "--out"),
        is_long=True,
    ),
    "benchmark classifiers": Tried(
        (),
        {
            "--suite": ("{classifiers}",), "--out": ("{out}/b",), "--seeds": ("3", "1,2"),
            "--contenders": ("halfcycle",), "--plots": _FLAG,
        },
        needs=("--suite", "--out", "--contenders"),
        is_long=True,
    ),
}  # fmt: skip
