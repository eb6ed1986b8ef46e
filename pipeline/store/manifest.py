"""Manifests: what a file was made of, by what and how, in the terms of W3C PROV, as JSON beside it.

A manifest is ``FILE.provenance.json``, laid out as PROV-JSON. It holds no time of day, so the same inputs and settings
give the same bytes. Its digest is over all else; a signature over that is by a key of the user's.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.store.atomic import write_atomically

ENDING: Final = ".provenance.json"
PREFIX: Final = {"prov": "http://www.w3.org/ns/prov#", "hc": "urn:halfcycle:"}
_DIGEST: Final = "hc:sha256_of_all_else"
_SIGNATURE: Final = "hc:hmac_sha256"
_LEAST_KEY: Final = 16  # bytes


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


def write_manifest(document: dict[str, Any], path: Path, *, key: bytes | None = None) -> Path:
    """Write the manifest of a file beside it.

    Parameters
    ----------
    document : what it says; see `software` and `PREFIX`.
    path : of the file.
    key : to sign it with, by HMAC-SHA-256 (RFC 2104, FIPS 198-1); None: it is not signed.

    Returns
    -------
    Its path.
    """
    whole = {**document, _DIGEST: digest_of(document)}
    if key is not None:
        whole[_SIGNATURE] = _signed(whole[_DIGEST], key)
    text = json.dumps(whole, ensure_ascii=False, indent=1) + "\n"
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
        document = json.loads(target.read_bytes())
        digest, signature = document.pop(_DIGEST), document.pop(_SIGNATURE, "")
        return Manifest(document, digest == digest_of(document), str(digest), str(signature))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ConfigError(f"{target}: is no provenance of a file ({type(error).__name__}: {error})") from error


def software() -> dict[str, Any]:
    """The agent of all manifests: this code, and what its numbers hang on beside."""
    import platform
    from importlib.metadata import version

    libraries = {
        "hc:python": platform.python_version(),
        **{f"hc:{name}": version(name) for name in ("numpy", "pyarrow")},
    }
    return {"hc:software": {"prov:type": "prov:SoftwareAgent", "hc:version": code_version(), **libraries}}


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
        raise ConfigError(f"{path}: a key has at least {_LEAST_KEY} bytes; this file holds {len(key)}")
    return key


def sha256_of(path: Path) -> str:
    """SHA-256 over a file's bytes, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digest_of(document: Any) -> str:
    """SHA-256 over plain values, whatever their order."""
    text = json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _signed(digest: str, key: bytes) -> str:
    return hmac.new(key, digest.encode(), hashlib.sha256).hexdigest()
