"""Catalogues and trends of a store carry manifests: verify and why show what was changed, or signed by another.

Nothing is deleted for it: of a day whose waveforms are gone the catalogue is all there is. SHA-256 and HMAC are those
of FIPS 180-4 and FIPS 198-1, by the standard library; the digest of rows is worked out here a second time.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_fleet import SITE, halfcycle, made_capture, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet, load_fleet
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.nightly.verify import repair, verify
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.manifest import MANIFEST_KEY, rows_digest, what_changed

pytestmark = pytest.mark.slow

KEY = b"a key of the fleet's own"
SURVEY = '[survey]\ninterval_s = 10\nquantities = ["u_rms", "f"]\n'


def made(root: Path, *, signed: bool = True) -> Fleet:
    config = write_fleet(root, extra=SURVEY)
    (root / "fleet.key").write_bytes(KEY)
    if signed:
        config.write_text('key = "fleet.key"\n' + config.read_text(encoding="utf-8"), encoding="utf-8")
    write_capture(
        made_capture("2026-03-01T12:00:00", seconds=21.0, sags=[(0.5, 0.3, 0.5)]),
        root / "inbox" / SITE / "a.parquet",
    )
    fleet = load_fleet(config)
    run_nightly(fleet)
    return fleet


def tables(fleet: Fleet) -> tuple[Path, Path]:
    """The catalogue and the trend."""
    return next(fleet.store.glob("catalogue/*/*/*.parquet")), next(fleet.store.glob("trends/*/*/*.parquet"))


def altered(fleet: Fleet) -> dict[Path, str]:
    return {one.path: one.words for one in verify(fleet, in_this_process) if one.what == "altered table"}


def with_document(path: Path, change: Any) -> None:
    """Writes a table anew with its manifest changed."""
    table = pq.ParquetFile(path).read()
    document = json.loads(table.schema.metadata[MANIFEST_KEY])
    change(document)
    said = {**table.schema.metadata, MANIFEST_KEY: json.dumps(document).encode()}
    pq.write_table(table.replace_schema_metadata(said), path)


def test_manifests_name_inputs_settings_and_version_and_are_signed(tmp_path: Path) -> None:
    fleet = made(tmp_path)
    for path in tables(fleet):
        table = pq.ParquetFile(path).read()
        document = json.loads(table.schema.metadata[MANIFEST_KEY])
        signature, digest = document.pop("hc:hmac_sha256"), document.pop("hc:sha256_of_all_else")
        plain = json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode()
        assert digest == hashlib.sha256(plain).hexdigest()
        assert signature == hmac.new(KEY, digest.encode(), hashlib.sha256).hexdigest()
        assert document["agent"]["hc:software"]["prov:type"] == "prov:SoftwareAgent"
        assert {"prefix", "entity", "activity", "wasGeneratedBy", "wasAssociatedWith"} <= set(document)
    catalogue = json.loads(pq.read_schema(tables(fleet)[0]).metadata[MANIFEST_KEY])
    assert {"captures", "settings", "judged_by", "version"} <= set(catalogue["activity"]["hc:making"])
    assert altered(fleet) == {}
    assert verify(fleet, in_this_process) == []


def test_whatever_is_changed_is_found_and_nothing_is_deleted(tmp_path: Path) -> None:
    fleet = made(tmp_path)
    catalogue, trend = tables(fleet)
    table = pq.ParquetFile(catalogue).read()
    k = table.column_names.index("magnitude")
    pq.write_table(table.set_column(k, table.schema.field(k), pa.array([0.95])), catalogue)
    with_document(trend, lambda document: document["entity"]["hc:trend"].update({"hc:rows": 7}))
    found = altered(fleet)
    assert found[catalogue].startswith("its rows were changed")
    assert found[trend].startswith("its provenance was changed")
    before = catalogue.read_bytes()
    repair(verify(fleet, in_this_process), fleet, in_this_process)
    assert catalogue.read_bytes() == before
    done = halfcycle("why", "all", "--config", tmp_path / "fleet.toml")
    assert done.returncode == 3
    assert "rows were changed" in done.stdout + done.stderr


def test_a_signature_of_another_key_or_none_is_told(tmp_path: Path) -> None:
    fleet = made(tmp_path)
    catalogue, trend = tables(fleet)
    with_document(trend, lambda document: document.pop("hc:hmac_sha256"))
    assert list(altered(fleet)) == [trend]
    (tmp_path / "fleet.key").write_bytes(b"another key, as long as it")
    assert set(altered(fleet)) == {catalogue, trend}
    done = halfcycle("why", "all", "--config", tmp_path / "fleet.toml")
    assert "not signed with that key" in done.stdout + done.stderr
    (tmp_path / "right.key").write_bytes(KEY)
    done = halfcycle("why", "all", "--config", tmp_path / "fleet.toml", "--key", tmp_path / "right.key")
    assert done.returncode == 0, done.stdout + done.stderr


def test_without_a_key_nothing_is_signed_and_older_tables_without_manifests_are_sound(tmp_path: Path) -> None:
    fleet = made(tmp_path, signed=False)
    catalogue, _ = tables(fleet)
    assert "hc:hmac_sha256" not in json.loads(pq.read_schema(catalogue).metadata[MANIFEST_KEY])
    table = pq.ParquetFile(catalogue).read()
    older = {name: value for name, value in table.schema.metadata.items() if name != MANIFEST_KEY}
    pq.write_table(table.replace_schema_metadata(older), catalogue)
    assert altered(fleet) == {}
    assert what_changed(pq.ParquetFile(catalogue).read(), key=KEY) == "it has no provenance and so no signature"
    config = tmp_path / "fleet.toml"
    config.write_text('key = "none.key"\n' + config.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"none\.key: the key cannot be read"):
        load_fleet(config)


def test_a_digest_of_rows_rests_on_values_and_not_on_how_they_lie() -> None:
    whole = pa.table({"a": [1.0, None, 3.0], "b": ["x", "y", None]})
    parts = pa.concat_tables([whole.slice(0, 1), whole.slice(1)])
    assert rows_digest(parts) == rows_digest(whole)
    others = [{"a": [1.0, 0.0, 3.0]}, {"b": ["x", "y", ""]}, {"a": [1.0, None, 3.5]}]
    for other in others:
        columns = {"a": [1.0, None, 3.0], "b": ["x", "y", None]} | other
        assert rows_digest(pa.table(columns)) != rows_digest(whole)
