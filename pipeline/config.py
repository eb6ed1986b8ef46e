"""Settings: threshold profiles, sites and the fleet, read from TOML and checked. Unknown keys are errors."""

from __future__ import annotations

import difflib
import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any, Final, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from halfcycle.pipeline.cluster import Engine
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.locales import manner_of
from halfcycle.pipeline.resources import resource
from halfcycle.pipeline.settings import Notify, Retention, Settings, Site, Thresholds

Model = TypeVar("Model", bound=BaseModel)
Choice = TypeVar("Choice", bound=str)

_DATED_EVERYWHERE: Final = {"valid_from", "voltage_ratio", "current_ratio", "channels"}  # of the changes of a site
PROFILES: Final = ("ieee-1159", "iec-61000-4-30")  # the files of configs/thresholds


class RunSettings(Settings):
    """How a nightly run goes about its work; nothing here changes what is made of stored captures."""

    workers: int = Field(2, ge=1, le=64)
    batch_files: int = Field(200, ge=1)
    batch_megabytes: float = Field(256.0, gt=0)
    settle_s: float = Field(30.0, ge=0)
    task_runner: Literal["threads", "processes"] = "processes"
    longest_s: float = Field(3600.0, gt=0)
    wait_for_lock_s: float = Field(0.0, ge=0)
    lease_s: float = Field(120.0, ge=1)
    retries: int = Field(1, ge=0, le=20)
    retry_after_s: float = Field(60.0, ge=0)
    longest_night_h: float | None = Field(None, gt=0)
    backfill_days: int | None = Field(None, ge=1)
    month_days: int = Field(10_000, ge=0)
    pack_days: int = Field(1000, ge=0)
    strict: bool = False
    engine: Engine = "processes"
    scheduler: str = ""

    @model_validator(mode="after")
    def _scheduler_of_an_engine(self) -> Self:
        if self.scheduler and self.engine == "processes":
            raise ValueError('scheduler applies only to engine = "dask"')
        return self


class Learned(Settings):
    """The learned classifier: whether it names events too, and the folder of a model that `halfcycle train` wrote."""

    enabled: bool = False
    model: Path = Path("model")

    def digest(self) -> str:
        """Digest of what a catalogue depends on: nothing where it is off, else the model's card."""
        if not self.enabled:
            return ""
        try:
            return hashlib.sha256((self.model / "card.json").read_bytes()).hexdigest()[:32]
        except OSError as error:
            raise ConfigError(f"learned.model {self.model}: no model there ({error.strerror or error})") from error


class Report(Settings):
    """The pages that a night publishes, where the table is there; nothing here changes a catalogue."""

    folder: Path = Path("report")
    days: int = Field(30, ge=0)
    worst: int = Field(12, ge=0)
    curve: str = "iti"
    title: str = ""
    locale: str = ""
    address: str = ""

    @field_validator("locale")
    @classmethod
    def _known_locale(cls, locale: str) -> str:
        try:
            manner_of(locale)
        except ConfigError as error:
            raise ValueError(str(error)) from error
        return locale


class SurveySettings(Settings):
    """Trends and verdicts of a night, where the table is there; no catalogue depends on them."""

    interval_s: float = Field(600.0, ge=1, le=86_400)
    quantities: tuple[str, ...] = ()
    limits: str = ""
    demand_current_a: float | None = Field(None, gt=0)
    uncertainty: Literal["none", "standard"] = "none"


class Incidents(Settings):
    """Incidents over all sites, joined at the end of a night where the table is there; no catalogue depends on them."""

    topology: Path | None = None
    reach_s: float = Field(10.0, gt=0, le=60)


_LEAST_KEY: Final = 16  # bytes


class Fleet(Settings):
    """A fleet's configuration; folders are relative to the file it was read from."""

    inbox: Path = Path("inbox")
    inbox_from: str = Field("", pattern=r"^$|^[a-z0-9+]+://.")
    store: Path = Path("store")
    store_at: str = Field("", pattern=r"^$|^(s3|file)://.")
    processed: Path = Path("processed")
    quarantine: Path = Path("quarantine")
    sites: tuple[Site, ...]
    thresholds: dict[str, Thresholds] = Field({})
    detectors: dict[str, dict[str, Any]] = Field({})
    limits: tuple[dict[str, Any], ...] = ()
    explain: bool = True
    uncertainty: Literal["none", "standard", "full"] = "none"
    learned: Learned = Learned()
    report: Report | None = None
    incidents: Incidents | None = None
    survey: SurveySettings | None = None
    retention: Retention | None = None
    notify: Notify | None = None
    run: RunSettings = RunSettings()
    key: Path | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not self.sites:
            raise ValueError("at least one table [[sites]] is needed")
        names = [site.name for site in self.sites]
        if len(set(names)) != len(names):
            raise ValueError(
                f"site names must be unique; repeated: {', '.join(sorted({n for n in names if names.count(n) > 1}))}"
            )
        owners: dict[str, str] = {}
        for site in self.sites:
            for station in {site.name, *site.stations, *site.formerly}:
                owner = owners.setdefault(station, site.name)
                if owner != site.name:
                    raise ValueError(f"station {station!r} belongs to both {owner!r} and {site.name!r}; list it once")
        for site in self.sites:
            for key in ("nominal_voltage_v", "nominal_frequency_hz"):
                if getattr(site, key) is None:  # a day's catalogue must not depend on what other days show
                    raise ValueError(f"site {site.name!r}: {key} must be declared for a fleet")
            for profile in (site.thresholds, *(change.thresholds for change in site.changes)):
                if profile is not None and profile not in self.thresholds:
                    known = ", ".join(sorted(self.thresholds))
                    raise ValueError(f"site {site.name!r}: thresholds {profile!r}; allowed are {known}")
        return self

    def site(self, name: str) -> Site | None:
        """The site of a name, or None."""
        return next((site for site in self.sites if site.name == name), None)

    @property
    def secret(self) -> bytes | None:
        """The key that catalogues and trends are signed with; None: they are not."""
        return None if self.key is None else signing_key(self.key)

    @property
    def _sureness(self) -> dict[str, str]:
        """What is asked for of uncertainties; nothing by default, so that older digests stand."""
        return {} if self.uncertainty == "none" else {"uncertainty": self.uncertainty}

    def judged_by(self, site: Site) -> dict[str, Any]:
        """All settings that a catalogue of the site depends on, but for defaults. site: as it is on the day."""
        told = {
            "site": _judged(site).told(), "thresholds": self.thresholds[site.thresholds].told(),
            "detectors": self.detectors, "limits": self.limits, "explain": self.explain,
            "learned": self.learned.digest(), **self._sureness,
        }  # fmt: skip
        document: dict[str, Any] = json.loads(json.dumps(told, default=str))
        return document

    def site_digest(self, site: Site) -> str:
        """Digest of what `judged_by` says: 32 hexadecimal digits. site: as it is on the day."""
        wanted = [self.detectors, self.limits, self.explain, self.learned.digest(), *self._sureness.values()]
        further = json.dumps(wanted, sort_keys=True, default=str)
        text = f"{_judged(site).digest()}{self.thresholds[site.thresholds].digest()}{further}"
        return hashlib.sha256(text.encode()).hexdigest()[:32]


def _judged(site: Site) -> Site:
    """A site without what only names it, shows how its times are to be shown, or goes into surveys alone."""
    return site.model_copy(update={"stations": (), "formerly": (), "time_zone": "UTC", "current_class_pct": None})


def load_fleet(path: Path) -> Fleet:
    """Read a fleet's configuration.

    Parameters
    ----------
    path : of a TOML file as configs/fleet.toml explains it.

    Raises
    ------
    ConfigError : the file cannot be read, is no TOML, or a key is unknown, missing or out of range.
    """
    document = read_toml(path)
    own = document.pop("thresholds", {})
    profiles = {name: _named_profile(name) for name in PROFILES}
    if not isinstance(own, dict):
        raise ConfigError(f"{path.name}: thresholds must be tables, one per profile: [thresholds.NAME]")
    profiles |= {name: checked(Thresholds, table, f"{path.name}, thresholds.{name}") for name, table in own.items()}
    fleet = checked(Fleet, document | {"thresholds": profiles}, path.name)
    base = path.resolve().parent
    folders = {key: base / getattr(fleet, key) for key in ("inbox", "store", "processed", "quarantine")}
    _check_folders(folders, path)
    learned = fleet.learned.model_copy(update={"model": base / fleet.learned.model})
    report = fleet.report
    if report is not None:
        report = report.model_copy(update={"folder": base / report.folder})
        _check_folders({**folders, "report.folder": report.folder}, path)
    incidents = fleet.incidents
    if incidents is not None and incidents.topology is not None:
        incidents = incidents.model_copy(update={"topology": base / incidents.topology})
    notify = fleet.notify
    if notify is not None and notify.to_file is not None:
        notify = notify.model_copy(update={"to_file": base / notify.to_file})
    key = None if fleet.key is None else base / fleet.key
    if key is not None:
        signing_key(key)
    update = {"key": key, "learned": learned, "report": report, "incidents": incidents, "notify": notify}
    return fleet.model_copy(update={**folders, **update})


class _SiteTables(Settings):
    """A file of sites alone."""

    sites: tuple[Site, ...]


def load_sites(path: Path) -> tuple[Site, ...]:
    """The ``[[sites]]`` tables of a file: of a fleet's configuration, or of a file that holds nothing else.

    Raises
    ------
    ConfigError : the file cannot be read, a key is unknown or out of range, or two sites have one name.
    """
    document = read_toml(path)
    of_fleet = set(document) & (set(Fleet.model_fields) - {"sites"})
    tables = {"sites": document["sites"]} if of_fleet and "sites" in document else document
    sites = checked(_SiteTables, tables, path.name).sites
    names = [site.name for site in sites]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise ConfigError(f"{path.name}: site names must be unique; repeated: {', '.join(twice)}")
    for site in sites:
        for key in sorted({key for change in site.changes for key in change.model_fields_set} - _DATED_EVERYWHERE):
            raise ConfigError(
                f"{path.name}: site {site.name!r}: a change of {key} applies only to the nightly runs of a fleet; "
                "here, declare a separate site for the time after it"
            )
    return sites


class _DetectorTables(BaseModel):
    model_config = ConfigDict(extra="forbid")

    detectors: dict[str, dict[str, Any]]


def load_detectors(path: Path) -> dict[str, dict[str, Any]]:
    """The ``[detectors.*]`` tables of a file: of a fleet's configuration, or of a file that holds nothing else.

    Raises
    ------
    ConfigError : the file cannot be read, has no such table, or holds other keys.
    """
    document = read_toml(path)
    others = {*Fleet.model_fields, "thresholds"} - {"detectors"}
    tables = {key: value for key, value in document.items() if key not in others}
    if len(tables) < len(document):
        tables.setdefault("detectors", {})
    return checked(_DetectorTables, tables, path.name).detectors


def load_thresholds(name: str) -> Thresholds:
    """A named threshold profile of configs/thresholds, or one in a TOML file of one's own.

    Raises
    ------
    ConfigError : no such profile or file, or a key of it is wrong.
    """
    if name.endswith(".toml"):
        path = Path(name)
        return checked(Thresholds, read_toml(path), path.name)
    if name not in PROFILES:
        raise ConfigError(f"thresholds {name!r}; allowed are {', '.join(PROFILES)}, or the path of a .toml file")
    return _named_profile(name)


def _named_profile(name: str) -> Thresholds:
    path = resource("configs", f"thresholds/{name}.toml")
    return checked(Thresholds, read_toml(path), path.name)


def _check_folders(folders: dict[str, Path], path: Path) -> None:
    real = {key: folder.resolve() for key, folder in folders.items()}
    for key, folder in real.items():
        for other_key, other in real.items():
            if key != other_key and (folder == other or other in folder.parents):
                raise ConfigError(f"{path.name}: {key} {folder} must not lie in {other_key} {other}")


def signing_key(path: Path) -> bytes:
    """The key in a file: its bytes, 16 at least.

    Raises
    ------
    ConfigError : it cannot be read, or is too short to keep a secret.
    """
    try:
        key = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"{path}: the key cannot be read ({error.strerror or error})") from error
    if len(key) < _LEAST_KEY:
        raise ConfigError(f"{path}: a key has at least {_LEAST_KEY} bytes; this file has {len(key)}")
    return key


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML document.

    Raises
    ------
    ConfigError : the file cannot be read or is no TOML, with the place.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror or error}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path.name} is not valid TOML: {error}") from error


def checked(model: type[Model], document: Any, where: str) -> Model:
    """A document as a settings model.

    Raises
    ------
    ConfigError : naming each key at fault, what was got and what is allowed; for an unknown key the nearest known.
    """
    try:
        return model.model_validate(document)
    except ValidationError as error:
        raise ConfigError("\n".join(f"{where}: {_in_words(model, item)}" for item in error.errors())) from error


def checked_choice(word: str, choices: tuple[Choice, ...], *, of: str = "") -> Choice:
    """A word that somebody gave for an uncertainty, as one of the choices there are. of : what, where that counts.

    Raises
    ------
    ConfigError : it is none of them.
    """
    for choice in choices:
        if word == choice:
            return choice
    raise ConfigError(f"uncertainty {word!r}{of}; allowed are {', '.join(choices)}")


def _in_words(model: type[BaseModel], item: Any) -> str:
    place = ".".join(str(part) for part in item["loc"])
    if item["type"] != "extra_forbidden":
        got = "" if _holds_tables(item["input"]) else f" (got {item['input']!r})"
        return f"{place or 'settings'}: {item['msg'].removeprefix('Value error, ')}{got}"
    known = list(_model_at(model, item["loc"][:-1]).model_fields)
    near = difflib.get_close_matches(str(item["loc"][-1]), known, n=1, cutoff=0.0)
    return f"unknown key {place}; the nearest valid key is {near[0]!r}" if near else f"unknown key {place}"


def _holds_tables(value: Any) -> bool:
    """Whether a value is a table or a list of tables, which are too long to be shown."""
    if isinstance(value, list | tuple):
        return any(_holds_tables(one) for one in value)
    return isinstance(value, dict | BaseModel)


def _model_at(model: type[BaseModel], place: tuple[Any, ...]) -> type[BaseModel]:
    for part in place:
        if isinstance(part, str) and part in model.model_fields:
            inner = model.model_fields[part].annotation
            candidates = [inner, *getattr(inner, "__args__", ())]
            model = next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), model)
    return model
