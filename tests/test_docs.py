"""The pages for users: what they name is there, and what the program says is explained."""

import ast
import re
import shlex
import textwrap
from fractions import Fraction
from pathlib import Path

import pytest

from lapsed import __main__, configuration
from tests import keys_page

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", *sorted(ROOT.glob("lapsed/docs/*.md"))]
WARNINGS = (ROOT / "lapsed/docs/warnings.md").read_text()

STAND_INS = {"PATH": "take", "N,N-N": "3,5-7", "S": "12", "N": "3"}
"""What a command's words in capitals are parsed as."""


def blocks(page: Path) -> list[str]:
    """The indented blocks of a page, without their indent."""
    found, lines = [], [*page.read_text().splitlines(), "end"]
    block: list[str] = []
    for line in lines:
        if line.startswith("    ") or (block and not line.strip()):
            block.append(line)
        elif block:
            found.append(textwrap.dedent("\n".join(block)))
            block = []
    return found


def commands(page: Path) -> list[str]:
    """Each line of a block that runs lapsed."""
    lines = [line.split("   #")[0].split(" && ")[-1].strip() for block in blocks(page) for line in block.splitlines()]
    return [line for line in lines if re.match(r"(sudo )?([\w./]+/)?lapsed [a-z-]", line)]


COMMANDS = [(page.name, line) for page in PAGES for line in commands(page)]


@pytest.mark.parametrize(("page", "line"), COMMANDS)
def test_every_command_that_a_page_shows_is_one(page, line):
    words = shlex.split(line.removeprefix("sudo "))[1:]
    words = [STAND_INS.get(word, word) for word in words]
    args = __main__._parser(words).parse_args(words)
    assert callable(args.func)


def test_every_command_is_shown_in_the_readme():
    rows = re.findall(r"^\| `lapsed ([a-z-]+)", (ROOT / "README.md").read_text(), re.MULTILINE)
    assert rows == list(__main__.COMMANDS)


@pytest.mark.parametrize("name", __main__.COMMANDS)
def test_every_option_says_what_it_does_and_those_in_the_readme_are_there(name):
    (subparsers,) = __main__._parser([name])._subparsers._group_actions
    actions = subparsers.choices[name]._actions
    assert [action.dest for action in actions if not action.help] == []
    (row,) = re.findall(rf"^\| `lapsed {name}\b(.*)", (ROOT / "README.md").read_text(), re.MULTILINE)
    known = {option for action in actions for option in action.option_strings}
    assert set(re.findall(r"--[a-z-]+", row)) <= known


@pytest.mark.parametrize("name", [page.name for page in PAGES])
def test_links_between_pages_lead_somewhere(name):
    (page,) = (page for page in PAGES if page.name == name)
    for link in re.findall(r"\]\(([^)]+)\)", page.read_text()):
        if link.startswith("http"):
            continue
        file, _, anchor = link.partition("#")
        target = (page.parent / file) if file else page
        assert target.is_file(), link
        if anchor:
            titles = re.findall(r"^#+ (.+)$", target.read_text(), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}, link


def test_every_page_is_reached_from_the_readme():
    reached, due = set(), [ROOT / "README.md"]
    while due:
        page = due.pop()
        reached.add(page)
        links = [
            (page.parent / link.split("#")[0]).resolve() for link in re.findall(r"\]\(([^)#]+\.md)", page.read_text())
        ]
        due += [link for link in links if link not in reached]
    assert set(PAGES) <= reached


# -------------------------------------------------------------------------------------------------- the configuration

PARTS = r"^\[\[?(printer|store|web|notice|stitch|judge|clip)\b"

LINK = r'\1[printer.link]\nurl = "ws://127.0.0.1:8130/"\n'


def toml_blocks(page: Path) -> list[str]:
    """The blocks of a page that are parts of a configuration."""
    return [block for block in blocks(page) if re.search(PARTS, block, re.MULTILINE)]


CONFIGURED = [(page.name, block) for page in PAGES for block in toml_blocks(page)]


@pytest.mark.parametrize(("page", "block"), CONFIGURED, ids=lambda value: value.splitlines()[0][:40])
def test_every_part_of_a_configuration_that_a_page_shows_is_right(page, block):
    text = block
    if "[[printer]]" not in text:
        first = re.search(r"^\[\[?printer\.", text, re.MULTILINE)
        at = first.start() if first else len(text)
        text = f'{text[:at]}\n[[printer]]\nname = "workbench"\n{text[at:]}'
    if not re.search(r"^\[printer\.link\]", text, re.MULTILINE):
        text = re.sub(r"^(\[\[printer\]\]\n(\w.*\n)+)", LINK, text, flags=re.MULTILINE)
    if "[[printer.camera]]" not in text:
        text += '\n[[printer.camera]]\nkind = "gphoto"\n'
    assert configuration.parse(text, where=page).printer


def test_the_page_of_all_keys_is_as_the_settings_are():
    assert keys_page.PAGE.read_text() == keys_page.written(), "run: python -m tests.keys_page"


# ------------------------------------------------------------------------------------------------------- the warnings

SPEAKING = {"note", "give_up", "_miss", "lost", "let_go", "over", "Refusal", "Missed", "_end", "_gone", "_miss_current"}
SPEAKING |= {"go_back", "_refuse", "Refused", "lose", "forget"}
"""What is called with a sentence for a person."""

BRIDGE = [ROOT / f"lapsed/bridge/{name}.py" for name in ("answering", "hosting", "parking", "reading", "relay")]
EXPLAINED = [
    *ROOT.glob("lapsed/decide/*.py"),
    *BRIDGE,
    ROOT / "lapsed/gcode/park.py",
    ROOT / "lapsed/camera/orders.py",
]


def sentences(path: Path) -> set[str]:
    """The fixed pieces of the sentences that a module tells people, as far as they stand in calls or as reasons."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        spoken: list[ast.AST] = []
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            spoken = [*node.args] if name in SPEAKING else []
            spoken += [word.value for word in node.keywords if word.arg in ("missed", "reason")]
        elif isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in ("reason", "SKIPPED"):
            spoken = [node.value]
        for part in spoken:
            found |= {
                text.value.strip(" :;,.")
                for text in ast.walk(part)
                if isinstance(text, ast.Constant) and isinstance(text.value, str) and text.value.count(" ") >= 2
            }
    return found


@pytest.mark.parametrize("path", [path for path in EXPLAINED if sentences(path)], ids=lambda path: path.name)
def test_every_reason_is_explained(path):
    page = " ".join(WARNINGS.split())
    missing = {sentence for sentence in sentences(path) if sentence not in page}
    assert missing == set()


# ------------------------------------------------------------------------------------------------------------- lamps


def test_shutter_times_that_are_said_to_suit_lamps_see_whole_periods():
    page = (ROOT / "lapsed/docs/exposure.md").read_text()
    for hertz in (50, 60):
        (row,) = re.findall(rf"^\| {hertz} Hz \| (.+) \|$", page, re.MULTILINE)
        times = [
            Fraction(found) for found in re.findall(r"\d+/\d+|\d\.\d+|\d+(?= s)", row.replace("(three tenths)", ""))
        ]
        assert len(times) >= 8
        for time in times:
            # Light follows the power of the lamp, which has two peaks a period of the mains.
            assert (time * 2 * hertz).denominator == 1, time
