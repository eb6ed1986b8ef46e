"""The report of a fleet: a page of all sites that leads to one of each, replaced as a whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from report.made_report import HOSTILE, SETTINGS, event, material
from report.test_report_page import Elements

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.report.folder import FRONT, fleet_pages, write_folder

EVENTS = [event(k * 100.0, site=name, magnitude=0.5) for k, name in enumerate(("Mill", "Öl/../lock", HOSTILE, "mill"))]


def test_every_site_has_a_page_and_the_fleets_page_leads_to_it_and_back(tmp_path: Path) -> None:
    pages = dict(fleet_pages(material(EVENTS), settings=SETTINGS))
    assert len(pages) == 5
    assert all(name == Path(name).name and name.isascii() for name in pages)
    links = {given["href"] for tag, given in Elements(pages[FRONT]).found if tag == "a"}
    assert {link for link in links if not str(link).startswith("#")} == set(pages) - {FRONT}
    for name in set(pages) - {FRONT}:
        assert FRONT in {given.get("href") for _, given in Elements(pages[name]).found}
        assert 'class="waves"' in pages[name]
    assert 'class="waves"' not in pages[FRONT]
    assert write_folder(pages.items(), tmp_path / "out") == 5
    assert (tmp_path / "out" / FRONT).read_text(encoding="utf-8") == pages[FRONT]


def test_a_new_report_takes_the_place_of_the_old_one_as_a_whole(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    write_folder([(FRONT, "old"), ("gone.html", "old")], folder)
    write_folder([(FRONT, "new")], folder)
    assert (folder / FRONT).read_text() == "new"
    assert not (folder / "gone.html").exists()

    def stops() -> Iterator[tuple[str, str]]:
        yield FRONT, "half"
        raise RuntimeError("the lights went out")

    with pytest.raises(RuntimeError):
        write_folder(stops(), folder)
    assert (folder / FRONT).read_text() == "new"
    write_folder([(FRONT, "newer")], folder)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_a_folder_that_holds_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    write_folder([(FRONT, "x")], tmp_path / "out")  # an empty one may be used
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "work.txt").write_text("dear")
    with pytest.raises(ConfigError, match="something other"):
        write_folder([(FRONT, "x")], tmp_path / "mine")
    assert (tmp_path / "mine" / "work.txt").read_text() == "dear"
