"""New files at the address that a fleet's recorders bring them to, copied into the inbox at the beginning of a night.

Nothing is changed there. What was fetched is remembered by name and version for as long as it is listed there, so that
it comes once; where that memory is lost, files come again and their captures are known. Of a store at an address other
machines know what was taken out of the inbox: what only lies in this machine's inbox they fetch themselves.
"""

from __future__ import annotations

import os
import shutil
import time
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.nightly.inbox import STAGING
from halfcycle.pipeline.objects import Remote, RemoteFile
from halfcycle.pipeline.store.documents import document_at, write_document

MEMORY: Final = "fetched.json"
"""What this machine has fetched, below the store."""
_TAKEN: Final = "taken.json"


def fetch_new(fleet: Fleet) -> tuple[str, ...]:
    """Copy what is new at the fleet's address into its inbox; what cannot be read there costs only what it concerns.

    A file comes with all of its stem, as the parts of a record belong together. One that changed a moment ago is left
    for a later night.

    Returns
    -------
    What failed, in words; it is tried again by a later night.
    """
    if not fleet.inbox_from:
        return ()
    memory = fleet.store / MEMORY
    known = _known(fleet)
    aside = fleet.inbox / STAGING
    failures: list[str] = []
    fetched: dict[str, str] = {}
    try:
        remote = Remote(fleet.inbox_from)
        listed = remote.files()
        new = _new(fleet, listed, known)
        tried = zip(new, remote.copy_all(new, aside), strict=True)
        for _, group in groupby(tried, key=lambda pair: pair[0].stem):
            pairs = list(group)
            failed = [str(error) for _, error in pairs if error is not None]
            failures += failed
            if not failed:
                for file, _ in pairs:
                    target = fleet.inbox / file.name
                    target.parent.mkdir(parents=True, exist_ok=True)
                    os.replace(aside / file.name, target)
                    fetched[file.name] = file.state
        here = {file.name for file in listed}
        own = {name: version for name, version in document_at(memory).items() if name in here}
        write_document({**own, **fetched}, memory, memory.parent)
    except StoreError as error:
        failures.append(str(error))
    except OSError as error:
        failures.append(f"{fleet.inbox}: what was fetched cannot be put there ({error.strerror})")
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return tuple(failures)


def has_new(fleet: Fleet) -> bool:
    """Whether there is something to fetch, or it cannot be told."""
    if not fleet.inbox_from:
        return False
    try:
        return bool(_new(fleet, Remote(fleet.inbox_from).files(), _known(fleet)))
    except StoreError:
        return True


def note_taken(fleet: Fleet) -> None:
    """Note for other machines what was fetched and lies in the inbox no more: it goes with what became of it.

    Raises
    ------
    StoreError : it cannot be written.
    """
    fetched = document_at(fleet.store / MEMORY) if fleet.inbox_from else {}
    here = {name: version for name, version in fetched.items() if (fleet.inbox / name).exists()}
    if here != fetched:
        taken = {name: version for name, version in fetched.items() if name not in here}
        write_document({**document_at(_taken(fleet)), **taken}, _taken(fleet), fleet.store)
        write_document(here, fleet.store / MEMORY, fleet.store)


def _taken(fleet: Fleet) -> Path:
    return fleet.store / _TAKEN


def _known(fleet: Fleet) -> dict[str, Any]:
    """What was fetched, by name: its version."""
    return {**document_at(_taken(fleet)), **document_at(fleet.store / MEMORY)}


def _new(fleet: Fleet, listed: list[RemoteFile], known: dict[str, str]) -> list[RemoteFile]:
    """What is to be fetched: stems of which something is new and nothing changed a moment ago.

    A stem of which only some files lie in the inbox was being put there by a run that was killed, and comes again.
    """
    before = time.time() - fleet.run.settle_s
    found: list[RemoteFile] = []
    for _, group in groupby(sorted(listed, key=lambda file: (file.stem, file.name)), key=lambda file: file.stem):
        files = list(group)
        is_new = any(known.get(file.name) != file.state for file in files)
        is_torn = len({(fleet.inbox / file.name).exists() for file in files}) > 1
        if (is_new or is_torn) and all(file.changed_s is None or file.changed_s <= before for file in files):
            found += files
    return found
