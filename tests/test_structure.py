"""Who may lean on whom, and what every module must look like, read from the source without importing it."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parent.parent
SOURCE = "the project's own design: one direction inside pipeline, classifiers on their own"

LARGEST_MODULE_LINES = 400
# Where whatever goes wrong in one item, file or event becomes the reason of that one.
BOUNDARIES = {
    "halfcycle.classifiers.learned.stored",
    "halfcycle.pipeline.catalogue.mishaps",
    "halfcycle.pipeline.cluster",
    "halfcycle.pipeline.gate",
    "halfcycle.pipeline.nightly.survey",
    "halfcycle.pipeline.objects",
    "halfcycle.pipeline.processes",
    "halfcycle.pipeline.replica.places",
    "halfcycle.pipeline.spread",
}

FRONT_DOOR = ROOT / "halfcycle" / "__init__.py"
ROOMS = (ROOT / "pipeline", ROOT / "classifiers")
MODULES = [FRONT_DOOR, *sorted(path for folder in ROOMS for path in folder.rglob("*.py"))]


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def each_module(check: Callable[[Path], None]) -> Callable[[], None]:
    """A test of a module as one test of all of them, which names each that fails; so many tests would cost a minute."""

    def test() -> None:
        failed = []
        for path in MODULES:
            try:
                check(path)
            except AssertionError as error:
                failed.append(f"{path.relative_to(ROOT).as_posix()}: {error}")
        assert failed == []

    test.__name__, test.__doc__ = check.__name__, check.__doc__
    return test


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    below = parts[:-1] if parts[-1] == "__init__" else parts
    return "halfcycle" if path == FRONT_DOOR else ".".join(("halfcycle", *below))


KNOWN = {name_of(path) for path in MODULES}


@cache
def imports_of(path: Path) -> frozenset[str]:
    """Modules that a module imports, at its top or later; a name that is a module of ours counts as that module."""
    return frozenset(_imports_of(path))


def _imports_of(path: Path) -> Iterator[str]:
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}, line {node.lineno}: relative import"
            origin = str(node.module)
            whole = {f"{origin}.{alias.name}" for alias in node.names} & KNOWN
            yield from whole or {origin}


def room_of(module: str) -> str:
    """The part below pipeline that a module belongs to; "" for pipeline itself."""
    parts = module.split(".")
    return parts[2] if len(parts) > 2 else ""


# --- who leans on whom


def test_the_import_contracts_of_pyproject_hold() -> None:
    # "Inside pipeline imports go one way", "classifiers stand alone" and so on; a new room must have its place there.
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True, is_debug_mode=False) == 0


@each_module
def test_nothing_leans_on_the_front_door(path: Path) -> None:
    if path != FRONT_DOOR:
        assert "halfcycle" not in imports_of(path), f"{name_of(path)} imports the front door"


def test_the_front_door_imports_nothing_when_it_is_opened() -> None:
    # Only under TYPE_CHECKING, or inside the function that looks a name up.
    tree = tree_of(FRONT_DOOR)
    at_once = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
    names = {getattr(node, "module", None) or node.names[0].name for node in at_once}
    assert names <= {"__future__", "importlib", "typing"}


def test_no_modules_import_one_another_in_a_circle() -> None:
    # Depth first over imports made at a module's top: a module met again on the way down closes a circle.
    edges = {name_of(path): {t for t in top_level_imports(path) if t in KNOWN} for path in MODULES}
    edges.pop("halfcycle")
    done: set[str] = set()

    def visit(module: str, way: tuple[str, ...]) -> None:
        assert module not in way, " imports ".join((*way[way.index(module) :], module))
        if module in done or module not in edges:
            return
        for other in sorted(edges[module] - {module}):
            visit(other, (*way, module))
        done.add(module)

    for module in sorted(edges):
        visit(module, ())
    assert done == set(edges)


def top_level_imports(path: Path) -> Iterator[str]:
    for node in tree_of(path).body:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            whole = {f"{node.module}.{alias.name}" for alias in node.names} & KNOWN
            yield from whole or {str(node.module)}


@each_module
def test_only_flows_import_prefect(path: Path) -> None:
    if room_of(name_of(path)) != "flows":
        assert not [there for there in imports_of(path) if there.split(".")[0] == "prefect"]


@each_module
def test_only_the_command_line_prints(path: Path) -> None:
    if room_of(name_of(path)) == "cli":
        return
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "print", f"{name_of(path)}, line {node.lineno}"
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            printing = node.value.id == "sys" and node.attr in ("stdout", "stderr")
            assert not printing, f"{name_of(path)}, line {node.lineno}"


@each_module
def test_no_module_is_a_drawer_for_odds_and_ends_or_too_long(path: Path) -> None:
    assert not {"utils", "util", "helpers", "helper", "common", "misc"} & set(name_of(path).split("."))
    n_lines = len(path.read_text(encoding="utf-8").splitlines())
    assert n_lines <= LARGEST_MODULE_LINES, f"{n_lines} lines"


@each_module
def test_what_is_caught_is_named_or_raised_again_and_nothing_is_asserted_outside_tests(path: Path) -> None:
    for node in ast.walk(tree_of(path)):
        assert not isinstance(node, ast.Assert), f"{name_of(path)}, line {node.lineno}"
        if isinstance(node, ast.ExceptHandler):
            caught = node.type.elts if isinstance(node.type, ast.Tuple) else [node.type]
            names = {part.id for part in caught if isinstance(part, ast.Name)}
            assert node.type is not None, f"{name_of(path)}, line {node.lineno}"
            raised_again = any(isinstance(part, ast.Raise) and part.exc is None for part in ast.walk(node))
            at_boundary = name_of(path) in BOUNDARIES
            assert raised_again or at_boundary or not names & {"Exception", "BaseException"}, (
                f"{name_of(path)}, line {node.lineno}"
            )


# --- docstrings

Documented = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
_ENTRY = re.compile(r"^(\*{0,2}\w+(?:, ?\*{0,2}\w+)*) ?: ")
_RULE = re.compile(r"^-{3,}$")


def public_things(tree: ast.Module) -> Iterator[tuple[str, Documented]]:
    """Public functions and classes of a module, and public methods of its classes that do not follow a base class."""
    for node in tree.body:
        if isinstance(node, Documented) and not node.name.startswith("_"):
            yield node.name, node
            if isinstance(node, ast.ClassDef) and not node.bases:
                for method in node.body:
                    if isinstance(method, ast.FunctionDef | ast.AsyncFunctionDef) and not method.name.startswith("_"):
                        yield f"{node.name}.{method.name}", method


def section(docstring: str, title: str) -> list[str] | None:
    """Names that a NumPy section documents, in order; None where there is no such section."""
    lines = docstring.splitlines()
    for i, line in enumerate(lines[:-1]):
        if line.strip() == title and _RULE.match(lines[i + 1].strip()):
            names: list[str] = []
            for k, entry in enumerate(lines[i + 2 :]):
                after = lines[i + 2 + k + 1].strip() if i + 2 + k + 1 < len(lines) else ""
                if entry.strip() and _RULE.match(after):
                    break
                if not entry.strip() and names:
                    break
                if (found := _ENTRY.match(entry)) is not None:
                    names += [name.strip().lstrip("*") for name in found.group(1).split(",")]
            return names
    return None


def signature(node: Documented) -> list[str] | None:
    """Names of a function's parameters, or of a class's constructor; None where a class has none of its own."""
    if isinstance(node, ast.ClassDef):
        inits = [child for child in node.body if isinstance(child, ast.FunctionDef) and child.name == "__init__"]
        return signature(inits[0]) if inits else None
    a = node.args
    every = [*a.posonlyargs, *a.args, *([a.vararg] if a.vararg else []), *a.kwonlyargs, *([a.kwarg] if a.kwarg else [])]
    return [arg.arg for arg in every if arg.arg not in ("self", "cls")]


@each_module
def test_every_public_function_and_class_has_a_docstring(path: Path) -> None:
    without = [name for name, node in public_things(tree_of(path)) if not ast.get_docstring(node)]
    assert without == []


@each_module
def test_documented_parameters_are_those_of_the_signature(path: Path) -> None:
    wrong = []
    for name, node in public_things(tree_of(path)):
        documented = section(ast.get_docstring(node) or "", "Parameters")
        if documented is None:
            continue
        parameters = signature(node)
        if parameters is None:
            wrong.append(f"{name}: documents parameters, but has no constructor of its own")
        elif sorted(documented) != sorted(parameters):
            wrong.append(f"{name}: documents {documented}, takes {parameters}")
    assert wrong == []


@each_module
def test_documented_attributes_are_there(path: Path) -> None:
    wrong = []
    for name, node in public_things(tree_of(path)):
        documented = section(ast.get_docstring(node) or "", "Attributes")
        if documented is None or not isinstance(node, ast.ClassDef):
            continue
        fields = {c.target.id for c in node.body if isinstance(c, ast.AnnAssign) and isinstance(c.target, ast.Name)}
        methods = {c.name for c in node.body if isinstance(c, ast.FunctionDef)}
        own = {c.attr for c in ast.walk(node) if isinstance(c, ast.Attribute) and isinstance(c.ctx, ast.Store)}
        if missing := sorted(set(documented) - fields - methods - own):
            wrong.append(f"{name}: documents {missing}, which it does not have")
    assert wrong == []


MEASURING = ("classifiers", "pipeline.detectors", "pipeline.indices", "pipeline.measures", "pipeline.uncertainty")
_UNIT = re.compile(r"\[[^\]\d]+\]")
_ORIGIN = re.compile(
    r"[Ss]ource|[Dd]erived|[Dd]efinition|practice|memory|[Ll]east squares|Monte Carlo|own design"
    r"|IEC|IEEE|EN \d|ANSI|JCGM|CIGRE|\b(?:18|19|20)\d\d\b"
)


@each_module
def test_what_measures_says_whose_definition_it_follows(path: Path) -> None:
    # Who gives a value with a unit names its source, or its module does; "derived" and "common practice" are answers.
    if not name_of(path).removeprefix("halfcycle.").startswith(MEASURING) or is_told(ast.get_docstring(tree_of(path))):
        return
    functions = [(name, node) for name, node in public_things(tree_of(path)) if isinstance(node, ast.FunctionDef)]
    documented = {name: ast.get_docstring(node) or "" for name, node in functions if "." not in name}
    assert [name for name, text in documented.items() if _UNIT.search(text) and not is_told(text)] == []


def is_told(docstring: str | None) -> bool:
    return _ORIGIN.search(docstring or "") is not None


def test_a_test_of_each_module_names_those_that_fail() -> None:
    @each_module
    def check(path: Path) -> None:
        assert path.name != "terms.py", "told"

    with pytest.raises(AssertionError, match=r"pipeline/terms\.py: told"):
        check()


EXAMPLE = '''
def rms(u, *, rate_hz, **more):
    """RMS.

    Parameters
    ----------
    u, rate_hz : shape (n,): the voltage. [V]
        More of it : this is no entry.
    {last} : the rest.

    Returns
    -------
    float : [V]
    """
'''


@pytest.mark.parametrize(("last", "same"), [("**more", True), ("more", True), ("less", False)])
def test_the_docstring_checker_sees_what_it_is_to_see(last: str, same: bool) -> None:
    (node,) = ast.parse(EXAMPLE.format(last=last)).body
    assert isinstance(node, ast.FunctionDef)
    documented = section(ast.get_docstring(node) or "", "Parameters")
    assert documented is not None
    assert (sorted(documented) == sorted(signature(node) or [])) == same
    assert section("Nothing of the kind.", "Parameters") is None
