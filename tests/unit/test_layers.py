"""The folders are the stages of a reading, and nothing reaches back: a stage knows only those before it."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

import keyid

PACKAGE = Path(keyid.__file__).parent
ORDER = (
    *("photos", "scales", "silhouettes", "outlines", "profiles", "blades", "rankings", "readings", "identify"),
    *("batch", "cluster", "new_profiles", "reports", "commands", "page"),
)
SHARED = {"errors", "length", "moving_mean", "network", "private_file", "probability", "valleys"}
LATE = {("commands", "page")}  # one command starts the page


def imported(file: Path) -> set[str]:
    """Stages that a module's imports name, those within functions with them."""
    nodes = ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    froms = [node for node in nodes if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("keyid")]
    whole = {str(node.module).split(".")[1] for node in froms if node.module != "keyid"}
    return whole | {name.name for node in froms if node.module == "keyid" for name in node.names}


def files_of(stage: str) -> list[Path]:
    """The modules of a stage: a folder's, or one file."""
    folder = PACKAGE / stage
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]


@pytest.mark.parametrize("stage", ORDER)
def test_a_stage_knows_only_those_before_it(stage: str) -> None:
    known = set().union(*map(imported, files_of(stage))) - SHARED - {stage}
    assert known <= {*ORDER[: ORDER.index(stage)], *(later for one, later in LATE if one == stage)}


@pytest.mark.parametrize("module", sorted(SHARED))
def test_what_all_stages_use_knows_none(module: str) -> None:
    assert not imported(PACKAGE / f"{module}.py")


def test_every_module_has_its_stage() -> None:
    parts = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in PACKAGE.rglob("*.py")}
    assert parts == {*ORDER, *SHARED, "__init__"}


def test_every_folder_is_installed() -> None:
    """The list of packages is written by hand, and an editable install works without it."""
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))
    folders = {f"keyid.{file.parent.name}" for file in PACKAGE.glob("*/__init__.py")}
    assert {"keyid", *folders, "keyid.reference_profiles"} == set(project["tool"]["setuptools"]["packages"])
