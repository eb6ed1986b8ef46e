"""Whether what lies in the store is still what was put there."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from pipeline.errors import ReadError, StoreError
from pipeline.readers import read_captures
from pipeline.store.partitions import Store, day_of


def check_stored(path: Path) -> None:
    """Compare a stored capture with the digest of its content, by which it is named.

    Raises
    ------
    StoreError : naming the file: it is damaged, or its content is another one's.
    """
    try:
        (capture,) = read_captures(path)
    except (ReadError, ValueError) as error:  # ValueError: none, or several
        raise StoreError(f"{path}: a stored capture is damaged ({error})") from error
    digest = capture.digest()
    if digest != path.stem:
        raise StoreError(
            f"{path}: a stored capture is damaged (the digest of its content is {digest}, its name says another); "
            "the same capture put into the inbox again takes its place"
        )


def is_sound(path: Path) -> bool:
    """Whether a stored capture is there and undamaged."""
    if not path.exists():
        return False
    try:
        check_stored(path)
    except StoreError:
        return False
    return True


def forget_catalogues(store: Store, site: str, start_ns: int) -> None:
    """Remove the catalogues that a damaged capture may have gone into, so that they are made anew.

    Parameters
    ----------
    store, site : where it lies.
    start_ns : of the capture; the days beside its own may have read it too. [ns since 1970-01-01]
    """
    day = day_of(start_ns)
    for other in (day - timedelta(days=1), day, day + timedelta(days=1)):
        store.catalogue_path(site, other).unlink(missing_ok=True)
