"""What a trend says of itself as a whole: a certificate for each site and point in it, as TOML.

A Parquet file of trends carries it in its metadata under `CERTIFICATE_KEY`; formats without metadata have it in a file
beside them, ``trend.csv.certificate.toml`` for ``trend.csv``.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Final, Literal

CERTIFICATE_KEY: Final = b"halfcycle.certificate"
UNCERTAINTY: Final = "_u"  # ends the name of a column that says how sure the values of another are

Origin = Literal["measured from waveforms", "recorded by the instrument"]


@dataclass(frozen=True, slots=True)
class CertifiedQuantity:
    """Columns of a trend that are alike but for their phase.

    Attributes
    ----------
    symbol, unit : of `halfcycle.pipeline.quantities`; ``uh`` and ``ih`` stand for all orders.
    columns : of the trend.
    accuracy_class : claimed for the computation; "" where none is.
    uncertainty : of that computation, and what it leaves out, in words.
    orders, lamp, reason, at : see `survey.notes`; "" where there is nothing to say.
    """

    symbol: str
    unit: str
    columns: tuple[str, ...]
    accuracy_class: str = ""
    uncertainty: str = ""
    orders: str = ""
    lamp: str = ""
    reason: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True)
class Certificate:
    """What the numbers of a trend rest on; None or "" where something is not told.

    Attributes
    ----------
    site, point : whose trend it is; "" for the only point of a site.
    origin : measured by us, or values that the recorder made.
    interval_s : length of the intervals, on ticks of the UTC clock. [s]
    nominal_voltage_v, nominal_kind, nominal_told : Udin of the judged voltages, where it comes from, and how. [V]
    nominal_frequency_hz, frequency_kind : likewise. [Hz]
    demand_current_a : of the total demand distortion. [A]
    hookup, phases, current_phases : how the recorder was connected.
    voltages_of : the point of the same busbar whose trend holds its voltages; "" where this one does.
    rate_hz : sampling rates of the waveforms, in words.
    thresholds : of the sags, swells and interruptions that flag intervals.
    profile : of limits that the trend was made for.
    version : of halfcycle.
    clock, ratios : what is known of the time stamps, and of transducers, in words.
    budget : what the stated uncertainties hold and what they leave out, in words.
    sources : name and digest of each file; of more than `MOST_SOURCES` one digest over all of them.
    n_sources : how many files.
    left_out : what a recorder's file holds beside, and why it was not taken.
    quantities : the columns.
    """

    site: str
    point: str
    origin: Origin
    interval_s: float
    nominal_voltage_v: float | None = None
    nominal_kind: str = ""
    nominal_told: str = ""
    nominal_frequency_hz: float | None = None
    frequency_kind: str = ""
    demand_current_a: float | None = None
    hookup: str = ""
    phases: tuple[str, ...] = ()
    current_phases: tuple[str, ...] = ()
    voltages_of: str = ""
    rate_hz: str = ""
    thresholds: Mapping[str, float] | None = None
    profile: str = ""
    version: str = ""
    clock: str = ""
    ratios: str = ""
    budget: str = ""
    sources: tuple[str, ...] = ()
    n_sources: int = 0
    left_out: tuple[str, ...] = ()
    quantities: tuple[CertifiedQuantity, ...] = ()


def certificates_as_toml(certificates: Sequence[Certificate]) -> str:
    """The certificates of a file as a TOML document."""
    lines = ["# The basis of the values in this trend: see the documentation of halfcycle."]
    for one in certificates:
        document = asdict(one)
        quantities = document.pop("quantities")
        thresholds = document.pop("thresholds")
        lines += ["", "[[certificates]]", *_pairs(document)]
        if thresholds is not None:
            lines += ["", "[certificates.thresholds]", *_pairs(thresholds)]
        for quantity in quantities:
            lines += ["", "[[certificates.quantities]]", *_pairs(quantity)]
    return "\n".join(lines) + "\n"


def certificates_of(text: str) -> tuple[Certificate, ...]:
    """The certificates of a TOML document; keys of later versions are passed over.

    Raises
    ------
    ValueError : it is no TOML, or holds no certificates.
    """
    try:
        tables = tomllib.loads(text)["certificates"]
        return tuple(_certificate(table) for table in tables)
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError(f"holds no certificates ({error})") from error


def certificates_in(metadata: Mapping[bytes, bytes] | None) -> tuple[Certificate, ...]:
    """The certificates that the metadata of a Parquet file carries; none where it is no trend.

    Raises
    ------
    ValueError : they are broken.
    """
    text = (metadata or {}).get(CERTIFICATE_KEY)
    return () if text is None else certificates_of(text.decode())


def remark_of(certificates: Sequence[Certificate], n_rows: int) -> str:
    """What a file of trends holds, in words, for who looks for waveforms in it."""
    lengths = ", ".join(dict.fromkeys(f"{one.interval_s:g} s" for one in certificates))
    sites = ", ".join(dict.fromkeys(one.site for one in certificates))
    return f"a trend of {sites}: {n_rows} intervals of {lengths}, no waveform; `halfcycle measure` judges it by limits"


def certificate_path(path: Path) -> Path:
    """Where the certificate of a trend lies whose format has no metadata."""
    return path.with_name(f"{path.name}.certificate.toml")


def has_certificate(path: Path) -> bool:
    """Whether the certificate of a trend lies beside it; not where the name would be too long for a file."""
    try:
        return certificate_path(path).is_file()
    except OSError:
        return False


def _certificate(table: dict[str, Any]) -> Certificate:
    quantities = tuple(CertifiedQuantity(**_known(CertifiedQuantity, one)) for one in table.get("quantities", ()))
    return Certificate(**{**_known(Certificate, table), "quantities": quantities})


def _known(kind: type, table: dict[str, Any]) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    return {key: tuple(value) if isinstance(value, list) else value for key, value in table.items() if key in names}


def _pairs(table: Mapping[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        if key in ("site", "point", "unit", "columns") or not (value is None or value in ("", ())):
            yield f"{key} = {_value(value)}"


def _value(value: Any) -> str:
    """A text, number or list as TOML has it: what JSON writes, but for the one sign that TOML wants spelled out."""
    if isinstance(value, tuple | list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
