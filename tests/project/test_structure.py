"""The architecture that DEVELOPERS.md draws, held by tests."""

import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from acoustic.errors import EvenhushError
from service.bench_settings import ActuatorSettings, BenchHostSettings, TemperatureSettings
from service.cli.main import EXIT_NOT_DONE, EXIT_SAFETY, app
from service.errors import SafetyStop
from service.serve_settings import ServeSettings
from service.settings import Settings, read_settings

ROOT = Path(__file__).parents[2]


def test_import_rules_hold():
    """Every import goes the way the layers allow."""
    found = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert found.returncode == 0, found.stdout


def test_top_level_holds_only_what_is_agreed():
    """The top level stays as small as agreed."""
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    top = {line.split("/")[0] for line in tracked}

    assert {name for name in top if not name.startswith(".")} == {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "acoustic",
        "calibration",
        "service",
        "tests",
        "recordings",
    }


def test_packages_hold_only_docstrings_in_their_init():
    """Importing a package loads nothing but itself."""
    for path in ROOT.glob("[acs]*/**/__init__.py"):
        text = path.read_text().strip()

        assert text.startswith('"""'), path
        assert text.endswith('"""'), path
        assert text.count('"""') == 2, path


@pytest.mark.parametrize(
    "module", ["numpy", "scipy", "numba", "pydantic", "fastapi", "httpx", "matplotlib"]
)
def test_help_loads_no_heavy_library(module):
    """The help is quick because the command line loads what it needs only when it needs it."""
    code = f"import sys, service.cli.main; sys.exit({module!r} in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_every_error_has_an_exit_code():
    """Safety has a code of its own, everything else that could not be done shares one."""

    def kinds(kind):
        return {kind}.union(*(kinds(below) for below in kind.__subclasses__()))

    safety = {kind for kind in kinds(EvenhushError) if issubclass(kind, SafetyStop)}

    assert safety == {SafetyStop}
    assert (EXIT_NOT_DONE, EXIT_SAFETY) == (2, 3)


def test_the_readme_example_runs(monkeypatch, capsys):
    """The library example in the README does what it says."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    example = readme.split("```python\n")[1].split("```")[0]
    monkeypatch.chdir(ROOT)

    exec(compile(example, "README.md", "exec"), {})  # noqa: S102 - our own README

    assert capsys.readouterr().out.startswith("[30.4")


def test_the_readme_names_every_command_and_setting():
    """What can be typed or configured stands in the README."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = [command.name or command.callback.__name__ for command in app.registered_commands]
    tables = (
        Settings,
        ServeSettings,
        BenchHostSettings,
        ActuatorSettings,
        TemperatureSettings,
    )
    keys = [key for table in tables for key in table.model_fields]

    assert [name for name in commands if f"`evenhush {name}`" not in readme] == []
    assert [key for key in keys if key not in readme] == []


def test_the_readme_configurations_are_ones(tmp_path):
    """Every configuration that the README shows is read as it stands there."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    examples = re.findall(r"^( *)```toml\n(.*?)^\1```$", readme, re.MULTILINE | re.DOTALL)
    assert len(examples) == readme.count("```toml")
    drivers = set()
    for _, text in examples:
        path = tmp_path / "evenhush.toml"
        path.write_text(textwrap.dedent(text), encoding="utf-8")
        drivers.add(read_settings(path).bench_host.driver)

    assert drivers == {None, "hwmon", "command"}
