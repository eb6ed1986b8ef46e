"""Dataclasses that are pickled as a call of themselves: the same objects, older pickles included."""

from __future__ import annotations

import copy
import pickle
from dataclasses import dataclass, fields, replace
from typing import Any

import pytest

from halfcycle.pipeline.capture import Channel, Header
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.records.archive import FileLook, Part
from halfcycle.pipeline.screening.results import Screening
from halfcycle.pipeline.screening.units import JudgedFile
from halfcycle.pipeline.sites.account import Account, PointAccount
from halfcycle.pipeline.sites.evidence import PointEvidence, RecordEvidence

SOURCE = "the pickle protocol of Python's library reference: what is loaded equals what was dumped"
ALL = (Account, Channel, FileLook, Header, JudgedFile, Part, PointAccount, PointEvidence, RecordEvidence, Screening)


@by_position
@dataclass(frozen=True, slots=True)
class Made:
    first: int
    second: str = "b"


@dataclass(frozen=True, slots=True)
class Plain:
    first: int
    second: str = "b"


@pytest.mark.parametrize("cls", ALL)
def test_each_field_comes_back_in_its_place(cls: Any) -> None:
    # SOURCE.
    assert not any(one.kw_only or not one.init for one in fields(cls))
    made = cls(*(f"{one.name} of it" for one in fields(cls)))
    for protocol in range(2, pickle.HIGHEST_PROTOCOL + 1):
        back = pickle.loads(pickle.dumps(made, protocol))
        assert [getattr(back, one.name) for one in fields(cls)] == [f"{one.name} of it" for one in fields(cls)]
        assert type(back) is cls
    assert copy.deepcopy(made) == made


def test_a_pickle_made_without_is_read() -> None:
    # SOURCE.
    former = pickle.dumps(Plain(1, "c")).replace(b"\x8c\x05Plain", b"\x8c\x04Made")
    frame = former.index(b"\x95") + 1  # a frame of the protocol begins with its length
    length = int.from_bytes(former[frame : frame + 8], "little") - 1
    former = former[:frame] + length.to_bytes(8, "little") + former[frame + 8 :]
    assert pickle.loads(former) == Made(1, "c") == replace(Made(1), second="c")
