"""Catalogue files: the contract's columns and types in three formats, safe to open, whole or not there."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest
from made_fleet import ns

from halfcycle.pipeline.catalogue.tables import iso_utc, write_table, writer_for
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.events import Event, catalogue_schema, catalogue_table, events_of, with_identity

ENDINGS = (".parquet", ".csv", ".ndjson")
TIME = pa.timestamp("ns", tz="UTC")

# The project's contract, "Catalogue columns" of its design: name, type, whether null is a value of it.
CONTRACT = {
    "event_id": pa.string(), "incident_id": pa.string(), "site": pa.string(), "point": pa.string(),
    "kind": pa.string(), "category": pa.string(), "start": TIME, "duration_s": pa.float64(),
    "magnitude": pa.float64(), "magnitude_unit": pa.string(), "phases": pa.string(), "line_to_line": pa.bool_(),
    "open_start": pa.bool_(), "open_end": pa.bool_(), "reference_v": pa.float64(), "refined_start": TIME,
    "dip_type": pa.string(), "cause": pa.string(), "cause_confidence": pa.float64(), "direction": pa.string(),
    "learned_class": pa.string(), "learned_confidence": pa.float64(), "capture": pa.string(),
}  # fmt: skip
NULL_ALLOWED = {
    "point", "duration_s", "refined_start", "dip_type", "cause", "cause_confidence", "direction", "learned_class",
    "learned_confidence",
}  # fmt: skip


def event(**values: object) -> Event:
    filled: dict[str, object] = {
        "site": "Quarry Road", "kind": "sag", "category": "instantaneous sag",
        "start": ns("2024-02-29T23:59:59.123456") + 789, "duration_s": 0.25, "magnitude": 0.5,
        "phases": "A", "line_to_line": False, "reference_v": 230.0, "capture": "d1+d2", "observed_s": 0.25,
    }  # fmt: skip
    return with_identity(Event(**(filled | values)))  # type: ignore[arg-type]


TABLE = catalogue_table(
    [event(), event(site="Weir", point="bus 2", refined_start=ns("2024-02-29T23:59:59") + 1, cause_confidence=0.1)]
)


def test_the_schema_has_the_contracts_columns_with_its_types() -> None:
    schema = catalogue_schema()
    assert {name: schema.field(name).type for name in CONTRACT} == CONTRACT
    assert schema.names[: len(CONTRACT)] == list(CONTRACT)


def test_a_parquet_catalogue_gives_back_what_was_written_to_the_nanosecond(tmp_path: Path) -> None:
    write_table(TABLE, tmp_path / "e.parquet")
    back = pq.read_table(tmp_path / "e.parquet")
    assert back.equals(TABLE)
    assert {name: back.schema.field(name).type for name in CONTRACT} == CONTRACT
    assert events_of(back) == events_of(TABLE)


@pytest.mark.parametrize("ending", ENDINGS)
def test_every_format_has_the_same_columns_rows_and_values(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"e{ending}"
    write_table(TABLE, path)
    if ending == ".parquet":
        rows = pq.read_table(path).to_pylist()
        names = pq.read_schema(path).names
    elif ending == ".csv":
        with path.open(encoding="utf-8", newline="") as stream:
            reader = csv.DictReader(stream)
            rows, names = list(reader), list(reader.fieldnames or [])
    else:
        rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        names = list(rows[0])
    assert names == TABLE.column_names
    assert [row["site"] for row in rows] == ["Quarry Road", "Weir"]
    assert [float(row["magnitude"]) for row in rows] == [0.5, 0.5]
    empty = "" if ending == ".csv" else None
    assert [row["point"] for row in rows] == [empty, "bus 2"]
    assert [row["dip_type"] for row in rows] == [empty, empty]
    flag = rows[0]["line_to_line"]
    assert flag == ("false" if ending == ".csv" else False)


def test_times_in_text_are_iso_8601_in_utc_to_the_nanosecond(tmp_path: Path) -> None:
    for ending in (".csv", ".ndjson"):
        write_table(TABLE, tmp_path / f"e{ending}")
        assert "2024-02-29T23:59:59.123456789Z" in (tmp_path / f"e{ending}").read_text(encoding="utf-8")
    back = pacsv.read_csv(
        tmp_path / "e.csv", convert_options=pacsv.ConvertOptions(column_types={"start": TIME})
    )  # an independent reader of ISO 8601
    assert back.column("start").cast(pa.int64()).to_pylist() == TABLE.column("start").cast(pa.int64()).to_pylist()


@pytest.mark.parametrize("seconds", [0, -1, 951782400, 1709251199, 4107542400, 9223372036])
@pytest.mark.parametrize("rest", [0, 1, 999_999_999])
def test_a_time_as_text_agrees_with_the_standard_library(seconds: int, rest: int) -> None:
    text = iso_utc(seconds * 10**9 + rest)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    assert text == moment.strftime("%Y-%m-%dT%H:%M:%S") + f".{rest:09d}Z"


# OWASP, "CSV Injection": cells that begin with = + - @, a tab, a carriage return or a line feed, or the full-width
# forms of those signs, may be taken for formulas (list from memory).
FORMULA_STARTS = ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"]


@pytest.mark.parametrize("sign", FORMULA_STARTS)
def test_text_that_would_start_a_formula_is_neutralised_in_csv_and_kept_elsewhere(tmp_path: Path, sign: str) -> None:
    nasty = f'{sign}HYPERLINK("x";"y")'
    table = catalogue_table([event(site=nasty, point=nasty)])
    for ending in ENDINGS:
        write_table(table, tmp_path / f"e{ending}")
    with (tmp_path / "e.csv").open(encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert row["site"] == row["point"] == "'" + nasty
    assert pq.read_table(tmp_path / "e.parquet").column("site").to_pylist() == [nasty]
    assert json.loads((tmp_path / "e.ndjson").read_text(encoding="utf-8"))["site"] == nasty


def test_numbers_below_zero_stay_numbers_in_csv(tmp_path: Path) -> None:
    write_table(pa.table({"x": [-1.5, 2.0], "n": pa.array([-3, None], pa.int32())}), tmp_path / "e.csv")
    assert (tmp_path / "e.csv").read_text().split() == ["x,n", "-1.5,-3", "2.0,"]


def test_text_with_separators_quotes_line_breaks_and_other_letters_comes_back_from_csv(tmp_path: Path) -> None:
    sites = ['a,b;"c"', "line\nbreak", "Öllwang 東", " blank "]
    write_table(pa.table({"site": sites}), tmp_path / "e.csv")
    with (tmp_path / "e.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["site"] for row in csv.DictReader(stream)] == sites


def test_ndjson_is_one_strict_json_object_a_line_also_where_a_value_is_no_number(tmp_path: Path) -> None:
    table = pa.table({"site": ["line\nbreak", "b"], "x": [float("nan"), float("inf")]})
    write_table(table, tmp_path / "e.ndjson")

    def refuse(name: str) -> float:
        raise AssertionError(f"{name} is no JSON (RFC 8259, section 6)")

    rows = [json.loads(line, parse_constant=refuse) for line in (tmp_path / "e.ndjson").read_text().splitlines()]
    assert rows == [{"site": "line\nbreak", "x": None}, {"site": "b", "x": None}]


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_catalogue_without_events_has_its_columns_all_the_same(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"e{ending}"
    write_table(catalogue_table([]), path)
    if ending == ".parquet":
        assert pq.read_schema(path) == catalogue_schema()
    elif ending == ".csv":
        assert path.read_text().strip().split(",") == catalogue_schema().names
    else:
        assert path.read_text() == ""


@pytest.mark.parametrize("name", ["events", "events.xlsx", "events.parquet.gz", ".parquet", "events.json"])
def test_an_unknown_ending_is_refused_with_those_allowed_before_anything_is_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(ConfigError, match=r"the extension must be one of \.parquet, \.csv, \.ndjson"):
        write_table(TABLE, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_endings_may_be_written_in_capitals(tmp_path: Path) -> None:
    assert writer_for(Path("E.CSV")) is writer_for(Path("e.csv"))
    write_table(TABLE, tmp_path / "E.PARQUET")
    assert pq.read_table(tmp_path / "E.PARQUET").num_rows == 2


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_file_that_cannot_be_written_is_a_clear_error_and_the_old_one_stays(tmp_path: Path, ending: str) -> None:
    (tmp_path / "folder").write_text("a file in its place")
    with pytest.raises(StoreError, match=f"e{ending}: cannot be written"):
        write_table(TABLE, tmp_path / "folder" / f"e{ending}")
    assert (tmp_path / "folder").read_text() == "a file in its place"


def test_the_same_events_give_the_same_bytes_in_any_order(tmp_path: Path) -> None:
    events = events_of(TABLE)
    for ending in ENDINGS:
        write_table(catalogue_table(events), tmp_path / f"a{ending}")
        write_table(catalogue_table(events[::-1]), tmp_path / f"b{ending}")
        assert (tmp_path / f"a{ending}").read_bytes() == (tmp_path / f"b{ending}").read_bytes()


def test_only_the_columns_that_may_be_null_are_null_in_a_full_event() -> None:
    for name in CONTRACT:
        column = TABLE.column(name)
        assert column.null_count == 0 or name in NULL_ALLOWED, name
