"""What the pages take from the project itself while they are built: contracts of imports, public names, templates."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
_PLACE = re.compile(r"^<!-- (contracts|public names|file (\S+)) -->$", re.M)


def on_page_markdown(markdown: str, **_: Any) -> str:
    """A page's Markdown with its marked places filled in."""
    return _PLACE.sub(lambda found: _filled(found[1], found[2]), markdown)


def _filled(what: str, name: str | None) -> str:
    if name:
        path = ROOT / "docs" / "templates" / name
        language = {".py": "python", ".toml": "toml"}.get(path.suffix, "text")
        return f"`{name}`:\n\n```{language}\n{path.read_text(encoding='utf-8').strip()}\n```"
    return contracts() if what == "contracts" else public_names()


def contracts() -> str:
    """The import contracts of pyproject.toml as tables."""
    document = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    every = document["tool"]["importlinter"]["contracts"]
    (layers,) = (one for one in every if one["type"] == "layers")
    rows = ["| level | rooms, which do not know one another |", "| --- | --- |"]
    for i, layer in enumerate(layers["layers"], start=1):
        rows.append(f"| {i} | {', '.join(f'`{room.strip()}`' for room in layer.split('|'))} |")
    others = ["| contract | these | never import |", "| --- | --- | --- |"]
    for one in every:
        if one["type"] == "forbidden":
            these, never = (
                ", ".join(f"`{name}`" for name in one[key]) for key in ("source_modules", "forbidden_modules")
            )
            others.append(f"| {one['name']} | {these} | {never} |")
    return "\n".join([*rows, "", *others])


def public_names() -> str:
    """A reference entry for each name of `halfcycle.__all__`, in the module that has it."""
    tree = ast.parse((ROOT / "halfcycle" / "__init__.py").read_text(encoding="utf-8"))
    (homes,) = (
        node.value for node in tree.body
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "_HOMES"
    )  # fmt: skip
    return "\n\n".join(f"::: {home}.{name}" for name, home in ast.literal_eval(homes).items())
