"""Settings: what is allowed loads, what is not is refused with a message that says how to put it right."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import pytest
from made_fleet import ROOT, write_fleet

from halfcycle.pipeline.config import Fleet, Report, checked, load_fleet, load_thresholds
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import resource
from halfcycle.pipeline.settings import Notify, Retention, Site, SiteChange, Thresholds
from halfcycle.pipeline.terms import HOOKUPS

SITE = '[[sites]]\nname = "Quarry Road"\nnominal_voltage_v = 230.0\nnominal_frequency_hz = 50\n'

Refusal = Callable[[str], str]


@pytest.fixture
def refusal(tmp_path: Path) -> Refusal:
    """The message with which a fleet's TOML is refused."""

    def message(text: str) -> str:
        path = tmp_path / "fleet.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(ConfigError) as caught:
            load_fleet(path)
        return str(caught.value)

    return message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            '[[sites]]\nname = "A"\nnominal_voltge_v = 230\nnominal_frequency_hz = 50',
            ("nominal_voltge_v", "'nominal_voltage_v'"),
        ),
        (SITE + "thresold = 'x'", ("sites.0.thresold", "'thresholds'")),
        ("[run]\nworker = 2\n" + SITE, ("run.worker", "'workers'")),
        ("inbx = 'in'\n" + SITE, ("inbx", "'inbox'")),
        (SITE + "[thresholds.own]\nsag = 0.8", ("thresholds.own", "sag", "'sag_pu'")),
    ],
)
def test_an_unknown_key_is_refused_by_name_with_the_nearest_valid_key(
    refusal: Refusal, text: str, words: tuple[str, ...]
) -> None:
    message = refusal(text)
    assert "fleet.toml" in message
    for word in words:
        assert word in message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SITE.replace("50", "400"), ("sites.0.nominal_frequency_hz", "50", "60", "400")),
        (SITE + 'hookup = "delta"', ("sites.0.hookup", "'delta'", *HOOKUPS)),
        (SITE + 'time_zone = "Mars/Olympus"', ("sites.0.time_zone", "Mars/Olympus", "IANA")),
        (SITE + 'time_zone = "../UTC"', ("sites.0.time_zone", "../UTC")),
        (SITE + 'time_zone = "Europe"', ("sites.0.time_zone", "'Europe'", "IANA")),
        (SITE.replace("Quarry Road", "a\\nb"), ("sites.0.name", "folder name")),
        (SITE + 'thresholds = "house"', ("Quarry Road", "'house'", "ieee-1159", "iec-61000-4-30")),
        (SITE + "voltage_ratio = 0", ("sites.0.voltage_ratio", "greater than 0", "0")),
        (SITE + "voltage_ratio = nan", ("sites.0.voltage_ratio", "finite")),
        (SITE.replace("Quarry Road", "a/b"), ("sites.0.name", "'a/b'", "/")),
        (SITE.replace("Quarry Road", " a"), ("sites.0.name", "' a'")),
        (SITE.replace("Quarry Road", ""), ("sites.0.name", "at least 1 character")),
        (SITE.replace("nominal_voltage_v = 230.0\n", ""), ("Quarry Road", "nominal_voltage_v", "declared")),
        (SITE + SITE, ("site names must be unique", "Quarry Road")),
        ("", ("sites", "required")),
        ("sites = []", ("sites", "at least one")),
        ("[run]\nworkers = 0\n" + SITE, ("run.workers", "greater than or equal to 1")),
        ("[run]\ntask_runner = 'dusk'\n" + SITE, ("run.task_runner", "'threads'", "'processes'", "dusk")),
        ("[run]\nsettle_s = -1\n" + SITE, ("run.settle_s", "greater than or equal to 0")),
        ("thresholds = 5\n" + SITE, ("thresholds", "[thresholds.NAME]")),
        (SITE + "[thresholds]\nown = 5", ("thresholds.own", "5")),
        (SITE + "[thresholds.own]\nsag_pu = 1.2", ("thresholds.own", "sag_pu", "less than 1", "1.2")),
        (SITE + "[thresholds.own]\ninterruption_pu = 0.95", ("interruption_pu 0.95", "below sag_pu 0.9")),
        (SITE + "[thresholds.own]\nhysteresis_pu = 0.1\nsag_pu = 0.95", ("hysteresis_pu 0.1", "1 pu")),
        (SITE + "[thresholds.own]\nreference = 'mean'", ("reference", "'nominal'", "'sliding'", "mean")),
        ("inbox = 5\n" + SITE, ("inbox", "5")),
        ("= 3", ("not valid TOML", "line 1")),
    ],
)
def test_a_wrong_value_is_refused_with_its_key_what_was_got_and_what_is_allowed(
    refusal: Refusal, text: str, words: tuple[str, ...]
) -> None:
    message = refusal(text)
    for word in words:
        assert word in message


def test_every_key_at_fault_is_named_in_one_go(refusal: Refusal) -> None:
    message = refusal(SITE + 'hookup = "delta"\nvoltage_ratio = -1\ncolour = "red"')
    assert len(message.splitlines()) == 3
    assert all(key in message for key in ("sites.0.hookup", "sites.0.voltage_ratio", "sites.0.colour"))


def test_a_station_that_two_sites_list_is_refused(refusal: Refusal) -> None:
    two = SITE + 'stations = ["REC-1"]\n' + SITE.replace("Quarry Road", "Weir") + 'stations = ["REC-1"]\n'
    message = refusal(two)
    assert "REC-1" in message
    assert "Quarry Road" in message
    assert "Weir" in message


def test_a_file_that_is_missing_or_no_text_is_refused_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"nowhere\.toml: No such file"):
        load_fleet(tmp_path / "nowhere.toml")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match=r"binary\.toml is not valid TOML"):
        load_fleet(binary)
    with pytest.raises(ConfigError, match="Is a directory"):
        load_fleet(tmp_path)


def test_a_byte_order_mark_as_windows_editors_write_it_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "fleet.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SITE.encode())
    assert [site.name for site in load_fleet(path).sites] == ["Quarry Road"]


@pytest.mark.parametrize(
    "folders",
    [
        'store = "inbox/store"',
        'store = "inbox"',
        'inbox = "a"\nprocessed = "a/done"',
        'quarantine = "store/bad"',
        'store = "other/../inbox/store"',
        'inbox = "other/../in"\nprocessed = "in/done"',
        'inbox = "."',
    ],
)
def test_folders_that_overlap_are_refused(refusal: Refusal, folders: str) -> None:
    assert "must not lie in" in refusal(folders + "\n" + SITE)


def test_folders_that_overlap_through_a_link_are_refused(refusal: Refusal, tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "link").symlink_to("inbox")
    assert "must not lie in" in refusal('store = "link/store"\n' + SITE)


def test_folders_are_relative_to_the_file_wherever_the_program_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = write_fleet(tmp_path / "deep")
    monkeypatch.chdir(tmp_path)
    fleet = load_fleet(Path("deep/fleet.toml"))
    assert fleet.inbox == config.parent / "inbox"
    assert fleet.store == config.parent / "store"


def test_the_example_fleet_loads_and_uses_its_own_profile() -> None:
    fleet = load_fleet(resource("configs", "fleet.toml"))
    assert [site.name for site in fleet.sites] == ["Harbour Substation", "Bakery Lane"]
    own = fleet.thresholds[fleet.sites[1].thresholds]
    assert (own.sag_pu, own.hysteresis_pu, own.swell_pu) == (0.85, 0.01, 1.1)


def test_the_example_fleet_explains_every_key_of_the_models() -> None:
    text = resource("configs", "fleet.toml").read_text(encoding="utf-8")
    document = tomllib.loads(text)
    assert set(document["sites"][0]) | {"channels", "changes"} == set(Site.model_fields)
    assert '[sites.channels."' in text
    assert "[[sites.changes]]" in text
    for key in ("valid_from", *SiteChange.model_fields):
        assert key in text.partition("What is another from a UTC day on")[2].partition("[[sites]]")[0], key
    for key in (*Retention.model_fields, *Notify.model_fields):
        assert f"# {key} = " in text, key
    assert "# [notify]" in text
    assert set(document) >= set(Fleet.model_fields) - {"sites", "notify", "key", "inbox_from", "store_at"}
    assert "# key = " in text
    assert "# inbox_from = " in text
    assert "# store_at = " in text
    assert set(document["run"]) | {"backfill_days", "longest_night_h"} == set(
        Fleet.model_fields["run"].annotation.model_fields
    )  # type: ignore[union-attr]
    assert set(document["report"]) == set(Report.model_fields)
    for line in text.splitlines():
        if "=" in line and not line.startswith("#") and "sag_pu" not in line and "hysteresis_pu" not in line:
            key = line.split("=")[0].strip()
            assert "#" in line or key in ("name", "nominal_frequency_hz", "time_zone", "thresholds", "hookup"), key


# IEEE Std 1159-2019 Table 2 and IEC 61000-4-30 Ed. 3, 5.4 and 5.5, values from memory.
@pytest.mark.parametrize(("name", "interruption_pu"), [("ieee-1159", 0.1), ("iec-61000-4-30", 0.05)])
def test_the_named_profiles_hold_the_values_of_their_standards(name: str, interruption_pu: float) -> None:
    profile = load_thresholds(name)
    assert (profile.sag_pu, profile.swell_pu, profile.hysteresis_pu) == (0.9, 1.1, 0.02)
    assert profile.interruption_pu == interruption_pu
    assert profile.reference == "nominal"


def test_every_profile_file_names_every_key() -> None:
    for path in sorted((ROOT / "configs" / "thresholds").glob("*.toml")):
        assert set(tomllib.loads(path.read_text(encoding="utf-8"))) == set(Thresholds.model_fields), path.name


def test_an_unknown_profile_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ConfigError, match=r"'house'.*ieee-1159, iec-61000-4-30"):
        load_thresholds("house")
    with pytest.raises(ConfigError, match="No such file"):
        load_thresholds("house.toml")


def test_a_profile_in_a_file_of_ones_own_loads(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("sag_pu = 0.8\n", encoding="utf-8")
    assert load_thresholds(str(path)).sag_pu == 0.8


def test_the_prefect_deployment_names_a_flow_and_a_config_that_exist() -> None:
    yaml = pytest.importorskip("yaml")
    document = yaml.safe_load((ROOT / "configs" / "prefect.yaml").read_text(encoding="utf-8"))
    (deployment,) = document["deployments"]
    module, function = deployment["entrypoint"].split(":")
    found = find_spec(f"halfcycle.{module.removesuffix('.py').replace('/', '.')}")  # installed, or in a checkout
    assert found is not None
    assert found.origin is not None
    source = Path(found.origin).read_text(encoding="utf-8")
    assert f"\ndef {function}(config: str)" in source
    assert load_fleet(ROOT / deployment["parameters"]["config"]).sites
    assert deployment["schedules"][0]["cron"].count(" ") == 4
    # What ends a run without a heartbeat looks for the runs by this tag.
    (automation,) = yaml.safe_load((ROOT / "configs" / "automations.yaml").read_text(encoding="utf-8"))["automations"]
    assert automation["trigger"]["match_related"]["prefect.resource.id"] == f"prefect.tag.{deployment['tags'][0]}"


def test_the_digest_survives_a_round_trip_and_changes_with_each_setting() -> None:
    profile = Thresholds()
    again = checked(Thresholds, profile.model_dump(mode="json"), "round trip")
    assert again == profile
    assert again.digest() == profile.digest()
    assert len(profile.digest()) == 32
    changed = {
        profile.model_copy(update={key: value}).digest()
        for key, value in {
            "sag_pu": 0.85, "swell_pu": 1.15, "interruption_pu": 0.05, "hysteresis_pu": 0.01, "reference": "sliding",
            "sliding_start": "pre-event", "incident_window_s": 30.0,
        }.items()
    }  # fmt: skip
    assert len(changed) == len(Thresholds.model_fields)
    assert profile.digest() not in changed


def test_what_a_catalogue_depends_on_is_in_the_sites_digest_and_nothing_else(tmp_path: Path) -> None:
    fleet = load_fleet(write_fleet(tmp_path))
    (site,) = fleet.sites
    before = fleet.site_digest(site)
    for key, value in {"nominal_voltage_v": 240.0, "nominal_frequency_hz": 60, "hookup": "four-wire",
                       "voltage_ratio": 20.0}.items():  # fmt: skip
        assert fleet.site_digest(site.model_copy(update={key: value})) != before, key
    for key, words in {"stations": ("REC-1",), "time_zone": "Europe/Lisbon"}.items():
        assert fleet.site_digest(site.model_copy(update={key: words})) == before, key
    other = fleet.model_copy(update={"thresholds": {"ieee-1159": Thresholds(sag_pu=0.8)}})
    assert other.site_digest(site) != before
