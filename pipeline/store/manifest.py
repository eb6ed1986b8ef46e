"""Manifests: what a file was made of, by what and how, in the terms of W3C PROV, as JSON beside it.

A manifest is ``FILE.provenance.json``, laid out as PROV-JSON; of a table in a store it stands in the file's metadata,
under `MANIFEST_KEY`, and has the digest of the rows. It holds no time of day, so the same inputs and settings give the
same bytes. Its digest is over all else; a signature over that is by a key of the user's.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.store.atomic import write_atomically

if TYPE_CHECKING:
    import pyarrow as pa

MANIFEST_KEY: Final = b"halfcycle.provenance"
ROWS: Final = "hc:rows_sha256"
"""Of the entity of a table: the digest of its rows, see `rows_digest`."""
ENDING: Final = ".provenance.json"
_PREFIX: Final = {"prov": "http://www.w3.org/ns/prov#", "hc": "urn:halfcycle:"}
_DIGEST: Final = "hc:sha256_of_all_else"
_SIGNATURE: Final = "hc:hmac_sha256"


@dataclass(frozen=True, slots=True)
class Manifest:
    """A manifest that was read.

    Attributes
    ----------
    document : without digest and signature.
    is_sound : whether the digest is right.
    digest, signature : as it has them; "" where there is none.
    """

    document: dict[str, Any]
    is_sound: bool
    digest: str
    signature: str = ""

    def is_signed_by(self, key: bytes) -> bool:
        """Whether the holder of a key signed it, and nothing was changed since."""
        return self.is_sound and hmac.compare_digest(_signed(self.digest, key), self.signature)


def manifest_path(path: Path) -> Path:
    """Where the manifest of a file lies."""
    return path.with_name(path.name + ENDING)


def statements(
    making: str,
    product: str,
    activity: dict[str, Any],
    entities: dict[str, Any],
    *,
    used: dict[str, Any] | None = None,
    derived: dict[str, Any] | None = None,
    members: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """What a manifest says: our software made a product, in one activity.

    Parameters
    ----------
    making, product : names of the activity and of the entity that it made.
    activity : inputs and settings of the making, as plain values.
    entities : by name, the product among them.
    used, derived, members : relations ``used``, ``wasDerivedFrom`` and ``hadMember`` by name; None: there are none.
    """
    relations = {
        "used": used,
        "wasAssociatedWith": {"_:a": {"prov:activity": making, "prov:agent": "hc:software"}},
        "wasGeneratedBy": {"_:g": {"prov:entity": product, "prov:activity": making}},
        "wasDerivedFrom": derived,
        "hadMember": members,
    }
    return {
        "prefix": _PREFIX,
        "agent": software(),
        "activity": {making: activity},
        "entity": entities,
        **{name: one for name, one in relations.items() if one is not None},
    }


def write_manifest(document: dict[str, Any], path: Path, *, key: bytes | None = None) -> Path:
    """Write the manifest of a file beside it.

    Parameters
    ----------
    document : what it says; see `statements`.
    path : of the file.
    key : to sign it with, by HMAC-SHA-256 (RFC 2104, FIPS 198-1); None: it is not signed.

    Returns
    -------
    Its path.
    """
    text = json.dumps(_sealed(document, key), ensure_ascii=False, indent=1) + "\n"
    target = manifest_path(path)

    def write(aside: Path) -> None:
        aside.write_bytes(text.encode())

    write_atomically(target, write)
    return target


def read_manifest(path: Path) -> Manifest | None:
    """The manifest beside a file; None where there is none.

    Raises
    ------
    ConfigError : it cannot be read, or is no manifest.
    """
    target = manifest_path(path)
    try:
        return _opened(target.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ConfigError(f"{target}: is not the provenance of a file ({type(error).__name__}: {error})") from error


def with_manifest(table: pa.Table, name: str, activity: dict[str, Any], *, key: bytes | None = None) -> pa.Table:
    """A table whose metadata carries its manifest.

    Parameters
    ----------
    table : as it is to be written; its other metadata stays.
    name : of the entity, such as ``catalogue``.
    activity : of its making: inputs and settings, as plain values.
    key : as for `write_manifest`.
    """
    product = f"hc:{name}"
    entities = {product: {"hc:rows": table.num_rows, ROWS: rows_digest(table)}}
    document = statements("hc:making", product, activity, entities)
    said = json.dumps(_sealed(document, key), ensure_ascii=False, sort_keys=True).encode()
    return table.replace_schema_metadata({**(table.schema.metadata or {}), MANIFEST_KEY: said})


def what_changed(table: pa.Table, *, key: bytes | None = None) -> str:
    """What of a table is not as its manifest says, in words; "" where all is, or it carries none.

    Parameters
    ----------
    table : with its metadata.
    key : that it should be signed with; None: that is not looked at.
    """
    said = (table.schema.metadata or {}).get(MANIFEST_KEY)
    if said is None:
        return "" if key is None else "it has no provenance and so no signature"
    try:
        known = _opened(said)
        rows = next(value[ROWS] for value in known.document["entity"].values() if ROWS in value)
    except (ValueError, KeyError, TypeError, AttributeError, StopIteration) as error:
        return f"its provenance cannot be read ({type(error).__name__})"
    if not known.is_sound:
        return "its provenance was changed after it was written"
    if rows != rows_digest(table):
        return "its rows were changed after it was written"
    return "" if key is None or known.is_signed_by(key) else "it is not signed with that key"


def rows_digest(table: pa.Table) -> str:
    """SHA-256 over a table's columns: names and values, in whatever pieces it lies."""
    import pyarrow as pa
    import pyarrow.compute as pc

    digest = hashlib.sha256()
    for field, column in zip(table.schema, table.columns, strict=True):
        digest.update(f"{field.name}\x1f{len(column)}\x1f".encode())
        if pa.types.is_floating(field.type) or pa.types.is_integer(field.type) or pa.types.is_timestamp(field.type):
            bare = column.cast(pa.int64()) if pa.types.is_timestamp(field.type) else column
            digest.update(pc.is_null(bare).to_numpy().tobytes())
            digest.update(pc.fill_null(bare, 0).to_numpy().tobytes())
        else:
            digest.update(repr(column.to_pylist()).encode())
    return digest.hexdigest()


@cache
def software() -> dict[str, Any]:
    """The agent of all manifests: this code, and what its numbers hang on beside."""
    import platform
    from importlib.metadata import version

    libraries = {f"hc:{name}": version(name) for name in ("numpy", "pyarrow")}
    libraries = {"hc:python": platform.python_version(), **libraries}
    return {"hc:software": {"prov:type": "prov:SoftwareAgent", "hc:version": code_version(), **libraries}}


def sha256_of(path: Path) -> str:
    """SHA-256 over a file's bytes, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digest_of(document: Any) -> str:
    """SHA-256 over plain values, whatever their order."""
    text = json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _sealed(document: dict[str, Any], key: bytes | None) -> dict[str, Any]:
    digest = digest_of(document)
    return {**document, _DIGEST: digest, **({} if key is None else {_SIGNATURE: _signed(digest, key)})}


def _opened(text: bytes) -> Manifest:
    document = json.loads(text)
    digest, signature = document.pop(_DIGEST), document.pop(_SIGNATURE, "")
    return Manifest(document, digest == digest_of(document), str(digest), str(signature))


def _signed(digest: str, key: bytes) -> str:
    return hmac.new(key, digest.encode(), hashlib.sha256).hexdigest()
