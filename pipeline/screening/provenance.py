"""The provenance of a screening's catalogue: what it was made of, by what and how, in the terms of W3C PROV.

It is a manifest (see `store.manifest`): entities (the catalogue, files, accounts), one activity (the screening, with
its settings), one agent (the software), and how they hang together.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.config import Learned, checked
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.errors import ConfigError, ReadError
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.records.archive import as_text
from halfcycle.pipeline.screening.results import Screening
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.store.manifest import (
    digest_of,
    manifest_path,
    read_manifest,
    sha256_of,
    statements,
    write_manifest,
)

STEPS: Final = (
    "samples to primary units, by the file's scale and the site's ratios",
    "records: captures that follow one another",
    "account of the site: nominal voltage and frequency, live channels, wiring",
    "Urms(1/2) and frequency; waveform residue and spectra where a detector asks for them",
    "thresholds with hysteresis: index pairs, then events",
    "refined start, stages, category; where asked for: type, side, cause, learned class, uncertainty",
    "events of logs that no waveform shows; incidents",
)


@dataclass(frozen=True, slots=True)
class ScreeningSettings:
    """What a screening judges by, beside its files; see `screening.screen`."""

    terms: Terms
    strict: bool = False
    sites: SiteTable = field(default_factory=SiteTable)

    @property
    def document(self) -> dict[str, Any]:
        """As plain values, from which `settings_of` makes them again."""
        terms = self.terms
        return {
            "thresholds": terms.thresholds.model_dump(mode="json"),
            "nominal_voltage_v": terms.nominal_voltage_v,
            "nominal_frequency_hz": terms.nominal_frequency_hz,
            "hookup": terms.hookup,
            "clamps_checked": terms.clamps_checked,
            "detectors": {one.detector.name: one.settings.model_dump(mode="json") for one in terms.detectors},
            "explain": terms.explain,
            "model": terms.model,
            "model_digest": "" if terms.model is None else _model_digest(terms.model),
            "uncertainty": terms.uncertainty,
            "strict": self.strict,
            "sites": [site.model_dump(mode="json", exclude_defaults=True) for site in self.sites.sites],
        }

    @property
    def digest(self) -> str:
        """Of the document."""
        return digest_of(self.document)


@dataclass(frozen=True, slots=True)
class Input:
    """A file that was judged.

    Attributes
    ----------
    path : as it was given.
    n_bytes : None of a member of a bundle.
    digest : as in the column ``capture``; None where no row names it.
    """

    path: str
    n_bytes: int | None
    digest: str | None


@dataclass(frozen=True, slots=True)
class Provenance:
    """What a catalogue says of its making.

    Attributes
    ----------
    version : of the code.
    settings : as `ScreeningSettings.document`.
    catalogue_sha256 : of the catalogue file's bytes.
    groups : sites and files that were judged together, see `screening.inputs.Together`.
    accounts : as plain values.
    is_sound : whether the digest over all of it is right.
    """

    version: str
    settings: dict[str, Any]
    catalogue_sha256: str
    groups: tuple[tuple[tuple[str, ...], tuple[Input, ...]], ...]
    accounts: tuple[dict[str, Any], ...]
    is_sound: bool


def write_provenance(
    result: Screening, catalogue: Path, *, settings: ScreeningSettings, key: bytes | None = None
) -> Path:
    """Write the provenance of a catalogue that was just written beside it.

    Parameters
    ----------
    result : that the catalogue holds.
    catalogue : the file.
    settings : that it was made with.
    key : to sign it with, by HMAC-SHA-256 (RFC 2104, FIPS 198-1); None: it is not signed.

    Returns
    -------
    Its path.
    """
    return write_manifest(_document(result, catalogue, settings), catalogue, key=key)


def _document(result: Screening, catalogue: Path, settings: ScreeningSettings) -> dict[str, Any]:
    digests = _digests(result)
    entities: dict[str, Any] = {
        "hc:catalogue": {
            "prov:label": as_text(catalogue.name),
            "hc:rows": len(result.events),
            "hc:sha256": sha256_of(catalogue),
        }
    }
    used: dict[str, Any] = {}
    derived: dict[str, Any] = {}
    for i, group in enumerate(result.recorders):
        entities[f"hc:recorder/{i}"] = {"prov:type": "prov:Collection", "hc:sites": list(group.sites)}
        used[f"_:u{i}"] = {"prov:activity": "hc:screening", "prov:entity": f"hc:recorder/{i}"}
        for k, path in enumerate(group.files):
            name = f"hc:recorder/{i}/file/{k}"
            shown = as_text(str(path))
            entities[name] = {"prov:atLocation": shown, "hc:bytes": _n_bytes(path)}
            if shown in digests:
                entities[name]["hc:digest"] = digests[shown]
                derived[f"_:d{i}.{k}"] = {"prov:generatedEntity": "hc:catalogue", "prov:usedEntity": name}
    for i, account in enumerate(result.accounts):
        entities[f"hc:account/{i}"] = {"prov:label": account.site, "hc:account": _plain(account)}
    activity = {"hc:settings": settings.document, "hc:settings_sha256": settings.digest, "hc:steps": list(STEPS)}
    members = {
        f"_:m{i}.{k}": {"prov:collection": f"hc:recorder/{i}", "prov:entity": f"hc:recorder/{i}/file/{k}"}
        for i, group in enumerate(result.recorders)
        for k in range(len(group.files))
    }
    return statements(
        "hc:screening", "hc:catalogue", activity, entities, used=used, derived=derived, members=members
    )  # fmt: skip


def read_provenance(catalogue: Path) -> Provenance | None:
    """What lies beside a catalogue; None where nothing does.

    Raises
    ------
    ConfigError : it cannot be read, or is no provenance of ours.
    """
    known = read_manifest(catalogue)
    if known is None:
        return None
    document = known.document
    try:
        entities, activity = document["entity"], document["activity"]["hc:screening"]
        groups = []
        for i in range(sum(name.count("/") == 1 and name.startswith("hc:recorder/") for name in entities)):
            own = f"hc:recorder/{i}"
            files = [value for name, value in entities.items() if name.startswith(f"{own}/file/")]
            inputs = tuple(Input(one["prov:atLocation"], one["hc:bytes"], one.get("hc:digest")) for one in files)
            groups.append((tuple(entities[own]["hc:sites"]), inputs))
        return Provenance(
            document["agent"]["hc:software"]["hc:version"], activity["hc:settings"],
            entities["hc:catalogue"]["hc:sha256"], tuple(groups),
            tuple(value["hc:account"] for name, value in entities.items() if name.startswith("hc:account/")),
            known.is_sound,
        )  # fmt: skip
    except (KeyError, TypeError, AttributeError) as error:
        path = manifest_path(catalogue)
        raise ConfigError(f"{path}: is not the provenance of a catalogue ({type(error).__name__}: {error})") from error


def settings_of(document: dict[str, Any]) -> ScreeningSettings:
    """Settings from plain values.

    Raises
    ------
    ConfigError : they do not match this version.
    """
    where = "settings of the provenance"
    try:
        terms = Terms(
            checked(Thresholds, document["thresholds"], where), document["nominal_voltage_v"],
            document["nominal_frequency_hz"], document["hookup"], choose(document["detectors"]), document["explain"],
            document["model"], document["clamps_checked"], document["uncertainty"],
        )  # fmt: skip
        sites = tuple(checked(Site, site, where) for site in document["sites"])
        return ScreeningSettings(terms, document["strict"], SiteTable(sites))
    except (KeyError, TypeError) as error:
        raise ConfigError(f"{where}: do not match this version ({error})") from error


def _digests(result: Screening) -> dict[str, str]:
    """The digests that the rows name, by the file's path as it was given."""
    found: dict[str, str] = {}
    for event in result.events:
        digests = event.capture.split("+")
        names = [event.source or ""] if len(digests) == 1 else (event.source or "").split("+")
        if len(names) == len(digests):
            found |= dict(zip(names, digests, strict=True))
    return found


def file_digest(path: Path) -> str | None:
    """The digest of a file as the column ``capture`` has it; None where it cannot be read."""
    try:
        return source_digest(path)
    except ReadError:
        return None


def _n_bytes(path: Path) -> int | None:
    return path.stat().st_size if path.is_file() else None


def _plain(account: Account) -> Any:
    return json.loads(json.dumps(account.document, default=sorted))


def _model_digest(folder: str) -> str:
    return Learned(enabled=True, model=Path(folder)).digest()
