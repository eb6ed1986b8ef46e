"""Labels of unbalanced dips behind transformers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.incidents.fleet import fleet_incidents
from halfcycle.pipeline.incidents.topology import load_topology, turn_of_sites
from halfcycle.pipeline.incidents.turns import step_of, turned_back
from incidents.made_incidents import DAY_S, sag, table_of

A = np.exp(2j * np.pi / 3)


def label_of(phases: np.ndarray, before: np.ndarray) -> int:  # type: ignore[type-arg]
    """By symmetrical components from their definition: the angle of V2 over the loss of V1, in steps of 60 degrees."""
    positive = np.array([1, A, A**2]) / 3
    negative = np.array([1, A**2, A]) / 3
    reference = positive @ before
    v1, v2 = (positive @ phases) / reference, (negative @ phases) / reference  # by the angle of V1 before
    return int(np.round(np.angle(v2 / (1 - v1)) / (np.pi / 3))) % 6


def dip(letter: str, turn: int, v: float = 0.5) -> np.ndarray:  # type: ignore[type-arg]
    """Phasors of type D or C with phase a, b or c the symmetrical one.

    Source: Bollen, Understanding Power Quality Problems, 2000, from memory.
    """
    real, imaginary = (v, 1.0) if letter == "D" else (1.0, v)
    types = np.array([real, -real / 2 - 1j * np.sqrt(3) / 2 * imaginary, -real / 2 + 1j * np.sqrt(3) / 2 * imaginary])
    return np.roll(types, turn) * np.exp(-2j * np.pi / 3 * turn)


def windings(group: str) -> np.ndarray:  # type: ignore[type-arg]
    """What a transformer makes of phase voltages, winding by winding, in per unit.

    Source: derived. Behind a delta winding at the higher side a phase is a difference of two: Dyn11 has a - b, which is
    30 degrees ahead of a, Dyn1 has a - c; Dyn5 is Dyn11 with all turned over. Behind star and star the zero sequence is
    gone; Yy6 has all turned over.
    """
    minus = {"Dyn11": 1, "Dyn5": 1, "Dyn1": 2, "Yd1": 2, "Yd11": 1}
    sign = -1 if group in ("Dyn5", "Yy6") else 1
    matrix = np.eye(3) - 1 / 3
    if group in minus:
        matrix = (np.eye(3) - np.roll(np.eye(3), minus[group], axis=1)) / np.sqrt(3)
    return sign * matrix


BALANCED = np.array([1, A**2, A])


@pytest.mark.parametrize("group", ["Dyn11", "Dyn1", "Dyn5", "Yd1", "Yd11", "Yy0", "Yy6"])
@pytest.mark.parametrize("letter", ["C", "D"])
@pytest.mark.parametrize("phase", [0, 1, 2])
def test_a_step_turns_labels_as_its_windings_do(group: str, letter: str, phase: int) -> None:
    matrix = windings(group)
    before = dip(letter, phase)
    here = label_of(before, BALANCED)
    behind = label_of(matrix @ before, matrix @ BALANCED)
    step = step_of(group)
    assert step is not None
    assert turned_back(np.array([behind]), np.array([step])).tolist() == [here]


@pytest.mark.parametrize("group", ["Dyn", "Dyn0", "Yy1", "Yd6", "Xyn11", "dyn11", "Dyn12", ""])
def test_groups_that_cannot_be_are_none(group: str) -> None:
    # IEC 60076-1, from memory: a star winding beside a delta one goes with odd clock numbers, two alike with even ones.
    assert step_of(group) is None


def test_turns_add_up_on_the_way_and_are_not_guessed(tmp_path: Path) -> None:
    path = tmp_path / "net.toml"
    path.write_text(
        '[[sites]]\nsite = "Bulk"\n[[sites]]\nsite = "Town"\nfed_by = "Bulk"\nvector_group = "YNd11"\n'
        '[[sites]]\nsite = "Street"\nfed_by = "Town"\n'
        '[[sites]]\nsite = "Shop"\nfed_by = "Street"\nvector_group = "Dyn11"\n'
    )
    turn = turn_of_sites(load_topology(path), ("Bulk", "Elsewhere", "Shop", "Street", "Town"))
    assert turn is not None
    assert turn.tolist() == [0, -1, 4, 5, 5]  # 11 and 22 modulo 6
    path.write_text('[[sites]]\nsite = "Bulk"\n')
    assert turn_of_sites(load_topology(path), ("Bulk",)) is None
    path.write_text('[[sites]]\nsite = "Bulk"\nvector_group = "Dyn2"\n')
    with pytest.raises(ConfigError, match="Dyn2"):
        load_topology(path)


@pytest.mark.parametrize(("dip_type", "n"), [("Cb", 1), ("Ca", 2)])
def test_a_declared_turn_speaks_for_a_join_and_against_it(dip_type: str, n: int, tmp_path: Path) -> None:
    # By hand: Da turned by eleven steps (behind Dyn11) is Cb and not Ca; the recorder's clock is 2.2 s ahead. Of a
    # moment of two sites among one in 8 s and a sag of the same length odds are 7 to 1; labels make it 29 or 1.4.
    path = tmp_path / "net.toml"
    path.write_text('[[sites]]\nsite = "Bulk"\n[[sites]]\nsite = "Shop"\nfed_by = "Bulk"\nvector_group = "Dyn11"\n')
    bulk = [sag(site, DAY_S + 1000.0, phases="A", dip_type="Da", length_s=0.1) for site in ("Bulk", "Grid")]
    noise = [sag("Far", DAY_S + 1004.0 + 8 * k, phases="A", dip_type="Da", length_s=0.4) for k in range(-75, 75)]
    shop = sag("Shop", DAY_S + 1002.2, phases="BC", dip_type=dip_type, length_s=0.1)
    table = table_of([*bulk, *noise, shop])
    found = fleet_incidents(table, topology=load_topology(path))
    told = {row: found.joined.shot[found.of_row[i]] for i, row in enumerate(table.column("site").to_pylist())}
    assert len({told["Bulk"], told["Shop"]}) == n
