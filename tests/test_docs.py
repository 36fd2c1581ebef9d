"""What the documentation shows can be done as it stands there."""

import re
import textwrap
from pathlib import Path

import pytest

from crestfall.scenario import load_scenario
from crestfall.study import load_plan
from site_files import write_site

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
# A block may be indented as part of a list.
BLOCK = re.compile(r"^(?P<indent> *)```(?P<language>\S*)\n(?P<code>.*?)^(?P=indent)```$", re.MULTILINE | re.DOTALL)


def blocks_by_heading(text: str) -> list[tuple[str, str, str]]:
    """Return heading, language and code of each fenced block."""
    found = []
    for block in BLOCK.finditer(text):
        outside = BLOCK.sub("", text[: block.start()])
        headings = re.findall(r"^#+ (.+)$", outside, re.MULTILINE)
        found.append((headings[-1] if headings else "", block["language"], textwrap.dedent(block["code"])))
    return found


BLOCKS = blocks_by_heading(README)
WHOLE_SCENARIOS = [
    code
    for _, language, code in BLOCKS
    if language == "yaml" and re.search(r"^crestfall_scenario:", code, re.MULTILINE)
]


def test_blocks_are_found_under_their_headings():
    text = "# A\n```sh\n# no heading\n```\n## B\n1. So:\n\n   ```yaml\n   x:\n     y: 1\n   ```\n"
    assert blocks_by_heading(text) == [("A", "sh", "# no heading\n"), ("B", "yaml", "x:\n  y: 1\n")]


def test_readme_has_one_command_to_run_it_and_one_to_test_it():
    commands = [(heading, code) for heading, language, code in BLOCKS if language == "sh"]
    assert [heading for heading, _ in commands] == ["Run it", "Test it"]


def test_command_to_run_names_a_scenario_that_is_there():
    (command,) = [code for heading, language, code in BLOCKS if (heading, language) == ("Run it", "sh")]
    names = re.findall(r"\S+\.yaml", command)
    assert names
    assert all((ROOT / name).is_file() for name in names)


def test_files_and_pictures_that_readme_links_are_there():
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)", README)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.yaml")), ids=lambda path: path.name)
def test_a_scenario_of_the_repository_loads(path):
    assert load_scenario(path).ask.question


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios" / "sweeps").glob("*.yaml")), ids=lambda path: path.name)
def test_a_sweep_of_the_repository_is_laid_out(path):
    plan = load_plan(path)
    assert plan.sweep.question
    assert plan.cases


def test_whole_scenarios_in_readme_load(tmp_path):
    assert WHOLE_SCENARIOS
    for text in WHOLE_SCENARIOS:
        # The example names files that the reader has: here a tariff, a catalogue and data stand in for them.
        for name in re.findall(r"[\w-]+\.csv", text):
            (tmp_path / name).write_text("", encoding="utf-8")
        assert load_scenario(write_site(tmp_path, scenario=text)).ask.site.name
