"""Read one YAML file into plain data and remember on which line each key stands."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.composer import Composer
from ruamel.yaml.constructor import ConstructorError, SafeConstructor
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import CollectionStartEvent, NodeEvent
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from crestfall.errors import Fault, KeyPath, ScenarioError, dotted

MAX_BYTES = 1_000_000  # a scenario is a few kB; a hundred times that is a series in the wrong place
MAX_DEPTH = 20  # the deepest valid file has 6 levels; the limit keeps the parser's recursion short


@dataclass(frozen=True, slots=True)
class Document:
    """The content of one YAML file.

    Parameters
    ----------
    path : Path
        The file, as the user wrote it.
    data : dict
        Keys and values, not yet validated.
    lines : dict of tuple to int
        Line of each key, counted from 1.
    """

    path: Path
    data: dict[str, Any]
    lines: dict[KeyPath, int] = field(repr=False)

    def line_of(self, key: KeyPath) -> int:
        """Return the line of a key, or of the nearest block around it that exists."""
        for length in range(len(key), -1, -1):
            if key[:length] in self.lines:
                return self.lines[key[:length]]
        return 1

    def fault(self, key: KeyPath, text: str, remedy: str) -> Fault:
        """Return a fault at a key of this file."""
        return Fault(file=str(self.path), line=self.line_of(key), key=dotted(key), text=text, remedy=remedy)


def read_document(path: Path) -> Document:
    """
    Read a YAML file.

    Parameters
    ----------
    path : Path
        The file, UTF-8.

    Returns
    -------
    Document
        Plain data with the line of each key.

    Raises
    ------
    ScenarioError
        If the file cannot be read, is not YAML, repeats a key, uses aliases, or does not hold a block of keys.
    """
    text = _read_text(path)
    loader = YAML(typ="safe", pure=True)
    loader.Composer, loader.Constructor = _GuardedComposer, _LocatingConstructor
    try:
        node = loader.compose(text)
        _refuse_odd_keys(path, node)
        data = None if node is None else loader.constructor.construct_document(node)
    except _RefusedError as error:
        raise _file_error(path, error.line, error.text, error.remedy) from None
    except MarkedYAMLError as error:
        raise _syntax_error(path, error) from None
    except YAMLError as error:
        raise _file_error(path, 0, f"not readable as YAML: {str(error).splitlines()[0]}", "correct the file") from None
    if data is None:
        raise _file_error(path, 0, "the file is empty", "start from an example in scenarios/")
    if not isinstance(data, dict):
        raise _file_error(path, 1, f"found {shown(data)}, expected a block of keys", "write 'key: value' lines")
    lines: dict[KeyPath, int] = {(): 1}
    _note_lines(node, (), lines)
    return Document(path, data, lines)


def shown(value: object) -> str:
    """Return a value as it is shown in a message, short enough for one line.

    >>> shown("95 %"), shown(-50), shown({"a": 1}), shown(None)
    ("'95 %'", '-50', 'a block of keys', 'nothing')
    """
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case dict():
            return "a block of keys"
        case list():
            return f"a list of {len(value)}"
        case str():
            return repr(value if len(value) <= 60 else value[:57] + "...")
        case _:
            text = str(value)
            return text if len(text) <= 60 else text[:57] + "..."


def _read_text(path: Path) -> str:
    try:
        if not path.exists():
            raise _file_error(path, 0, "there is no such file", "check the name, or the folder you are in")
        if path.is_dir():
            raise _file_error(path, 0, "this is a folder, expected a YAML file", "name the file inside it")
        if path.stat().st_size > MAX_BYTES:
            raise _file_error(
                path,
                0,
                f"the file has {path.stat().st_size:,} bytes, expected at most {MAX_BYTES:,}",
                "put series in a CSV file",
            )
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _file_error(path, 0, f"byte {error.start} is not UTF-8", "save the file as UTF-8") from None
    except OSError as error:
        raise _file_error(path, 0, f"cannot be read: {error.strerror}", "check name and permissions") from None


class _RefusedError(Exception):
    """Something that YAML allows and a file here may not hold."""

    def __init__(self, event: NodeEvent, text: str, remedy: str) -> None:
        super().__init__(text)
        self.line, self.text, self.remedy = event.start_mark.line + 1, text, remedy


class _GuardedComposer(Composer):
    """Stops at aliases (a few lines of them can expand to gigabytes) and at absurd depth, before anything is built."""

    depth = 0

    def compose_node(self, parent: Node | None, index: Any) -> Node | None:
        event = self.parser.peek_event()
        if isinstance(event, NodeEvent) and event.anchor:  # an alias, too
            text = f"anchor or alias '{event.anchor}' found"
            raise _RefusedError(event, text, "write the value out where it is needed")
        inner = isinstance(event, CollectionStartEvent)
        if inner and self.depth == MAX_DEPTH:
            text = f"blocks nested deeper than {MAX_DEPTH}"
            raise _RefusedError(event, text, "no key needs that; check brackets")
        self.depth += inner
        node: Node | None = super().compose_node(parent, index)
        self.depth -= inner
        return node


def _refuse_odd_keys(path: Path, node: Node | None) -> None:
    """Stop at keys that are no text, such as 2024 or true: they would not be found under the name that was written."""
    if isinstance(node, MappingNode):
        for key_node, value_node in node.value:
            if not str(key_node.tag).endswith(":str"):
                name = f"key '{key_node.value}'" if isinstance(key_node, ScalarNode) else "a list or block as key"
                line = key_node.start_mark.line + 1
                raise _file_error(path, line, f"found {name}, expected text", "put it in quotes, or rename it")
            _refuse_odd_keys(path, value_node)
    elif isinstance(node, SequenceNode):
        for value_node in node.value:
            _refuse_odd_keys(path, value_node)


class _LocatingConstructor(SafeConstructor):
    """Reports a value that has the form of a date or number but is none (2025-02-30) with its line."""

    def construct_object(self, node: Node, deep: bool = False) -> Any:
        try:
            return super().construct_object(node, deep=deep)
        except ValueError as error:
            raise ConstructorError(problem=str(error), problem_mark=node.start_mark) from None


def _syntax_error(path: Path, error: MarkedYAMLError) -> ScenarioError:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 0
    problem = (error.problem or "not valid YAML").strip().splitlines()[0]
    if problem.startswith("found duplicate key"):
        name = problem.split('"')[1] if '"' in problem else problem
        return _file_error(path, line, f"key '{name}' stands twice in one block", "keep one of them")
    if "\\t" in problem or "'\t'" in problem:
        return _file_error(path, line, "a tab where YAML allows only spaces", "indent with spaces")
    return _file_error(path, line, f"not valid YAML: {problem}", "look at this line and the one above it")


def _file_error(path: Path, line: int, text: str, remedy: str) -> ScenarioError:
    return ScenarioError((Fault(file=str(path), line=line, key="", text=text, remedy=remedy),))


def _note_lines(node: Node, key: KeyPath, lines: dict[KeyPath, int]) -> None:
    if isinstance(node, MappingNode):
        for key_node, value_node in node.value:
            inner = (*key, str(key_node.value))
            lines[inner] = key_node.start_mark.line + 1
            _note_lines(value_node, inner, lines)
    elif isinstance(node, SequenceNode):
        for position, value_node in enumerate(node.value):
            inner = (*key, position)
            lines[inner] = value_node.start_mark.line + 1
            _note_lines(value_node, inner, lines)
