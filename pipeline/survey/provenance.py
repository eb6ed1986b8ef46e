"""The provenance of a trend's file: what it was made of, by what and how, in the terms of W3C PROV.

It is a manifest (see `store.manifest`): entities (the trend, the files that its certificates name), one activity (the
measuring, with its settings), one agent (the software).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.records.archive import as_text
from halfcycle.pipeline.store.manifest import digest_of, sha256_of, statements, write_manifest
from halfcycle.pipeline.survey.measure import Survey
from halfcycle.pipeline.survey.stored import StoredTrend

STEPS: Final = (
    "samples to primary units, by the file's scale and the site's ratios",
    "records: captures that follow one another",
    "account of the site: nominal voltage and frequency, live channels, wiring",
    "blocks of 10/12 cycles, synchronised at each ten-minute tick of the clock",
    "blocks to intervals, by the aggregation of each quantity; sags, swells and interruptions flag them",
    "where asked for: standard uncertainties",
)


def write_trend_provenance(
    trends: Sequence[StoredTrend], path: Path, *, survey: Survey, key: bytes | None = None
) -> Path:
    """Write the provenance of a trend's file that was just written beside it.

    Parameters
    ----------
    trends : that the file holds.
    path : the file.
    survey : that it was measured by.
    key : to sign it with; see `store.manifest.write_manifest`.

    Returns
    -------
    Its path.
    """
    settings = _plain(survey)
    entities: dict[str, Any] = {
        "hc:trend": {
            "prov:label": as_text(path.name),
            "hc:rows": sum(one.trend.table.num_rows for one in trends),
            "hc:sha256": sha256_of(path),
        }
    }
    used: dict[str, Any] = {}
    derived: dict[str, Any] = {}
    for i, one in enumerate(trends):
        certificate = one.certificate
        name = f"hc:point/{i}"
        entities[name] = {
            "prov:type": "prov:Collection", "hc:site": certificate.site, "hc:point": certificate.point,
            "hc:origin": certificate.origin, "hc:interval_s": certificate.interval_s,
            "hc:sources": list(certificate.sources),
        }  # fmt: skip
        used[f"_:u{i}"] = {"prov:activity": "hc:measuring", "prov:entity": name}
        derived[f"_:d{i}"] = {"prov:generatedEntity": "hc:trend", "prov:usedEntity": name}
    activity = {"hc:settings": settings, "hc:settings_sha256": digest_of(settings), "hc:steps": list(STEPS)}
    document = statements("hc:measuring", "hc:trend", activity, entities, used=used, derived=derived)
    return write_manifest(document, path, key=key)


def _plain(survey: Survey) -> dict[str, Any]:
    """A survey as plain values; its quantities by symbol."""
    told = {name: getattr(survey, name) for name in Survey.__slots__ if name not in ("quantities", "thresholds")}
    return {
        **told, "quantities": [quantity.symbol for quantity in survey.quantities],
        "thresholds": survey.thresholds.model_dump(mode="json"),
    }  # fmt: skip
