"""The public names: listed, lazily imported, each with an example in its docstring that runs as it stands."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import halfcycle
import halfcycle as hc


def test_every_public_name_is_there_and_no_other() -> None:
    assert sorted(halfcycle.__all__) == halfcycle.__all__
    assert set(halfcycle.__all__) <= set(dir(halfcycle))
    for name in halfcycle.__all__:
        assert getattr(halfcycle, name).__name__ == name
    with pytest.raises(AttributeError, match="has no attribute 'sag'"):
        _ = halfcycle.sag


@pytest.mark.slow
@pytest.mark.parametrize("name", halfcycle.__all__)
def test_the_example_of_a_public_name_runs(name: str, built_demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    documented = inspect.getdoc(getattr(halfcycle, name)) or ""
    assert "Examples\n--------\n" in documented
    monkeypatch.chdir(built_demo)
    names = {"hc": hc, "np": np}
    example = doctest.DocTestParser().get_doctest(documented, names, name, None, 0)
    assert example.examples
    said: list[str] = []
    result = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(example, out=said.append)
    assert result.failed == 0, "".join(said)
    used = "\n".join(one.source for one in example.examples)
    assert "hc." in used


@pytest.mark.parametrize("name", halfcycle.__all__)
def test_a_public_name_says_what_it_is_in_sentences_with_units_and_errors(name: str) -> None:
    thing = getattr(halfcycle, name)
    words, _, _ = (inspect.getdoc(thing) or "").partition("Examples\n--------\n")
    assert re.search(r"[.\]]$", words.split("\n\n")[0])
    if inspect.isclass(thing):
        return
    takes = inspect.signature(thing).parameters
    if any(re.search(r"_(v|a|hz|s|deg|pu)$", one) for one in takes) or "shape" in words:
        assert re.search(r"\[[^\]]+\]", words), "no unit"
    assert "Raises\n------\n" in words or "rrors" in words or name in NEVER_FAIL


NEVER_FAIL = {"phase_power", "total_harmonic_distortion", "synthesise"}
"""Of what their arguments' types allow, nothing makes these raise an error of their own."""


def test_importing_halfcycle_imports_no_other_package() -> None:
    code = "import sys; before = set(sys.modules); import halfcycle; print(*(set(sys.modules) - before))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "pandas", "pyarrow", "scipy"} & {name.partition(".")[0] for name in loaded}
    assert [name for name in loaded if name.startswith("halfcycle.")] == []
