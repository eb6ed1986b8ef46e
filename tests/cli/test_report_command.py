"""`halfcycle report`: from captures to a page, from the command line."""

from __future__ import annotations

import html
import re
import shlex
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from made_fleet import SITE, halfcycle, made_capture, write_capture, write_fleet
from matplotlib.image import imread

from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly

pytestmark = pytest.mark.slow

START = "2026-03-01T12:00:00"


@pytest.fixture
def catalogue(tmp_path: Path) -> Path:
    sags = [(1.0, 0.3, 0.5), (2.5, 0.1, 0.2)]
    write_capture(
        made_capture(START, seconds=4, sags=sags, station="Mill", hookup="four-wire"), tmp_path / "in" / "a.csv"
    )
    done = halfcycle("screen", "in", "--out", "e.parquet", "--nominal-voltage", "230", "--explain", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    return tmp_path / "e.parquet"


@pytest.mark.long
def test_a_catalogue_becomes_a_page_the_same_each_time(catalogue: Path, tmp_path: Path) -> None:
    done = halfcycle("report", "e.parquet", "--out", "a.html", "--pictures", "pics", "--summary", "a.md", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "2 events were found at one site" in done.stdout
    assert (tmp_path / "a.md").read_text(encoding="utf-8").startswith("# Voltage events at Mill")
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert page.count('class="waves"') == 2
    assert "No waveform" not in page
    assert str(tmp_path) not in page
    assert halfcycle("report", "e.parquet", "--out", "b.html", cwd=tmp_path).returncode == 0
    assert (tmp_path / "b.html").read_text(encoding="utf-8") == page
    pictures = sorted((tmp_path / "pics").glob("*.svg"))
    charts = {path.stem.split("-")[0] + "-" + path.stem.split("-")[-1] for path in pictures}
    assert {"magnitude-chart", "days-chart", "hours-chart", "event-before", "event-during", "wiring-1"} <= charts
    assert len(pictures) == 3 + 2 * 3 + 1  # of the two events each its waveforms and two drawings of phasors
    for path in pictures:
        root = ElementTree.fromstring(path.read_bytes())
        height, width, _ = imread(path.with_suffix(".png")).shape
        assert width / height == pytest.approx(float(root.attrib["width"]) / float(root.attrib["height"]), rel=0.01)
    assert len(list((tmp_path / "pics").iterdir())) == 2 * len(pictures)


def test_the_command_that_a_page_names_makes_the_same_page(catalogue: Path, tmp_path: Path) -> None:
    (tmp_path / "in").rename(tmp_path / "elsewhere")
    (tmp_path / "s.toml").write_text('[[sites]]\nname = "Mill"\ntime_zone = "Europe/Madrid"\n', encoding="utf-8")
    (tmp_path / "c.csv").write_text(
        "site,point,start,end,judged_s,not_judged_s,reason\nMill,,2026-03-01T00:00:00Z,2026-03-02T00:00:00Z,86400,0,\n"
    )
    words = ["e.parquet", "--from", "2026-03-01", "--to", "2026-03-01", "--files", "elsewhere", "--sites", "s.toml"]
    words += ["--coverage", "c.csv", "--curve", "semi-f47", "--worst", "1", "--title", "A mill's days"]
    done = halfcycle("report", *words, "--out", "a.html", "--summary", "a.md", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert re.search("13:00:0[01] CET", page)  # the zone of the table of sites
    (said,) = re.findall(r"<td>halfcycle (report [^<]*)</td>", page)
    assert halfcycle(*shlex.split(html.unescape(said)), cwd=tmp_path).returncode == 0
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == page


def test_a_fleet_needs_no_out_where_its_settings_name_a_folder(tmp_path: Path) -> None:
    config = write_fleet(tmp_path, extra='[report]\nfolder = "pages"\n')
    write_capture(made_capture(START, seconds=4.0, sags=[(1.0, 0.3, 0.5)]), tmp_path / "inbox" / SITE / "a.parquet")
    run_nightly(load_fleet(config))
    done = halfcycle("report", "--config", config, "--from", "2026-03-01", "--to", "2026-03-10")
    assert done.returncode == 0, done.stderr
    front = (tmp_path / "pages" / "index.html").read_text(encoding="utf-8")
    assert "1 March 2026 to 10 March 2026" in front
    assert "only 0.000463\N{NO-BREAK SPACE}% of the period was judged" in front  # 4 s of ten days, by hand


@pytest.mark.long
def test_a_trend_comes_into_the_report_with_its_verdicts(catalogue: Path, tmp_path: Path) -> None:
    done = halfcycle("measure", "in", "--out", "t.parquet", "--interval", "1", "--nominal-voltage", "230", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    words = ["e.parquet", "--out", "a.html", "--trend", "t.parquet", "--limits", "en-50160-lv"]
    done = halfcycle("report", *words, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Limits of EN 50160, low voltage at 1 measuring point: undetermined at 1." in done.stdout
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "voltage, RMS over 10/12 cycles, in intervals of 1" in page
    assert "--trend t.parquet --limits en-50160-lv" in page
    assert "The phasors agree with the hookup" in page


def test_lost_waveforms_are_said_and_the_rest_is_shown(catalogue: Path, tmp_path: Path) -> None:
    shutil.rmtree(tmp_path / "in")
    done = halfcycle("report", catalogue, "--out", tmp_path / "a.html")
    assert done.returncode == 0, done.stderr
    assert "without a waveform: 2 of 2" in done.stdout
    assert "No waveform" in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_a_fleet_becomes_a_page_with_its_coverage_and_its_time_zone(tmp_path: Path) -> None:
    config = write_fleet(tmp_path, site='time_zone = "Europe/Madrid"\n')
    for day in ("2026-03-01", "2026-03-02"):
        made = made_capture(f"{day}T12:00:00", seconds=4.0, sags=[(1.0, 0.3, 0.5)])
        write_capture(made, tmp_path / "inbox" / SITE / f"{day}.parquet")
    run_nightly(load_fleet(config))
    done = halfcycle("report", "--config", config, "--out", tmp_path / "a.html", "--from", "2026-03-02")
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "13:00:00 CET" in page
    assert "On 2 March 2026, 1 event was found" in done.stdout
    assert 'id="coverage-chart"' in page
    assert "of the period was judged; a rate requires 90" in page


def test_a_folder_has_a_page_for_each_site(catalogue: Path, tmp_path: Path) -> None:
    done = halfcycle("report", catalogue, "--out", tmp_path / "pages")
    assert done.returncode == 0, done.stderr
    assert "2 pages" in done.stdout
    assert (tmp_path / "pages" / "index.html").is_file()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["e.parquet", "--out", "a.pdf"], ".html"),
        (["e.parquet", "--out", "folder", "--pdf"], "single page"),
        (["--out", "a.html"], "--config"),
        (["e.parquet"], "[report]"),
        (["e.parquet", "--out", "a.html", "--limits", "en-50160-lv"], "--trend"),
        (["e.parquet", "--out", "a.html", "--curve", "house"], "iti"),
        (["e.parquet", "--out", "a.html", "--from", "yesterday"], "2026-04-01"),
        (["e.parquet", "--out", "a.html", "--coverage", "c.csv"], "no such coverage table"),
    ],
)
def test_wrong_usage_is_said_with_status_2(catalogue: Path, tmp_path: Path, words: list[str], said: str) -> None:
    done = halfcycle("report", *words, cwd=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr
