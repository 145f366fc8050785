"""JSON and XML documents as one flat list of elements in document order."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from lxml import etree

from parsers import text

DEEPEST = 60
"""Levels of nesting. Engineering default, no source."""


@dataclass(frozen=True)
class Broken:
    """Why a document is not read."""

    code: str
    why: str


@dataclass
class Tree:
    """Elements in document order: each XML element; each JSON object and list of bare values."""

    path: list[str] = field(default_factory=list)
    """Names from the top, parted by `/`; a JSON list's members have the path of the list."""
    parent: list[int] = field(default_factory=list)
    """Index of the element around it, -1 at the top."""
    last: list[int] = field(default_factory=list)
    """Index of its last descendant, or its own."""
    scalars: list[dict[str, str]] = field(default_factory=list)
    """Bare values by name: JSON members; XML `@attribute`, and text under the empty name."""
    twice: set[tuple[int, str]] = field(default_factory=set)
    """(element, name) of values that stand more than once in it."""

    def add(self, path: str, parent: int, scalars: dict[str, str]) -> int:
        """Append an element; return its index."""
        self.path.append(path)
        self.parent.append(parent)
        self.last.append(len(self.path) - 1)
        self.scalars.append(scalars)
        return len(self.path) - 1


def read(data: bytes, kind: str, encoding: str) -> Tree | Broken:
    """Read a whole `json` or `xml` document; never raises on content."""
    return _xml(data) if kind == "xml" else document(text.decoded(data, encoding))


def count(data: bytes) -> int | None:
    """Count the elements of a document of either kind; None where it is neither."""
    for kind in ("xml", "json"):
        tree = read(data, kind, text.guessed(data))
        if isinstance(tree, Tree):
            return len(tree.path)
    return None


class _TooDeep(Exception):
    pass


class _Twice(dict[str, Any]):
    """A JSON object in which a name stands twice."""

    names: tuple[str, ...] = ()


def document(body: str) -> Tree | Broken:
    """Read one JSON document (RFC 8259); numbers keep the digits that were printed."""
    try:
        value = _decoder().decode(body)
        tree = Tree()
        _walk(tree, value, "", -1, 0)
    except json.JSONDecodeError as problem:
        return Broken("document-broken", f"line {problem.lineno}: {problem.msg}")
    except (RecursionError, _TooDeep):
        return Broken("nesting-too-deep", f"nested deeper than {DEEPEST} levels")
    return _bounded(tree)


def _bounded(tree: Tree) -> Tree | Broken:
    """Refuse a document with a value longer than any dump's line."""
    longest = max((len(v) for each in tree.scalars for v in each.values()), default=0)
    if longest > text.LONGEST_LINE:
        return Broken("line-too-long", f"a value of {longest} characters")
    return tree


def flat(body: str) -> dict[str, str] | None:
    """Read one JSON object of bare values and objects of bare values, by path.

    None for anything else, which `document` then reads or refuses.
    """
    try:
        value = _decoder().decode(body)
    except (json.JSONDecodeError, RecursionError):
        return None
    if type(value) is not dict:
        return None
    found: dict[str, str] = {}
    for name, item in value.items():
        if type(item) is str:
            found[name] = item.strip()
        elif type(item) is dict and item:
            for inner, deep in item.items():
                if not _bare(deep):
                    return None
                found[f"{name}/{inner}"] = _text(deep)
            if any("/" in inner for inner in value):
                return None
        elif _bare(item):
            found[name] = _text(item)
        else:
            return None
    return found


@cache
def _decoder() -> json.JSONDecoder:
    return json.JSONDecoder(
        parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=_object
    )


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    names = [name for name, _ in pairs]
    twice = _Twice(found)
    twice.names = tuple(sorted({name for name in names if names.count(name) > 1}))
    return twice


def _walk(tree: Tree, value: Any, path: str, parent: int, depth: int) -> None:
    if depth > DEEPEST:
        raise _TooDeep
    members: Iterator[tuple[str, Any]]
    if isinstance(value, dict):
        members = iter(value.items())
    elif isinstance(value, list):
        if not any(_bare(item) for item in value):
            for item in value:
                _walk(tree, item, path, parent, depth + 1)
            return
        members = ((str(place), item) for place, item in enumerate(value))
    else:
        tree.add(path, parent, {"": _text(value)})
        return
    scalars: dict[str, str] = {}
    index = tree.add(path, parent, scalars)
    if isinstance(value, _Twice):
        tree.twice |= {(index, name) for name in value.names}
    for name, item in members:
        if _bare(item):
            scalars[name] = _text(item)
        else:
            _walk(tree, item, joined(path, name), index, depth + 1)
    tree.last[index] = len(tree.path) - 1


def _bare(value: Any) -> bool:
    return not isinstance(value, dict | list)


def _text(value: Any) -> str:
    if value is None:
        return ""
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value).strip()


def joined(path: str, name: str) -> str:
    """Put a name behind a path, either of which may be empty."""
    return f"{path}/{name}" if path and name else path or name


def _xml(data: bytes) -> Tree | Broken:
    """Read XML without entities, document types, network or great depth."""
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False,
        huge_tree=False, remove_comments=True, remove_pis=True,
    )  # fmt: skip
    if text.holds(data, "<!DOCTYPE") or text.holds(data, "<!ENTITY"):
        return Broken("entities-refused", "the document declares a document type or entities")
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError) as problem:
        deep = "depth" in str(problem).lower()
        return Broken("nesting-too-deep" if deep else "document-broken", str(problem))
    tree = Tree()
    try:
        _elements(tree, root, "", -1, 0)
    except _TooDeep:
        return Broken("nesting-too-deep", f"nested deeper than {DEEPEST} levels")
    return _bounded(tree)


def _elements(tree: Tree, element: Any, path: str, parent: int, depth: int) -> None:
    if depth > DEEPEST:
        raise _TooDeep
    scalars = {f"@{_local(key)}": value.strip() for key, value in element.items()}
    index = tree.add(joined(path, _local(element.tag)), parent, scalars)
    said = (element.text or "").strip()
    for child in element:
        if not isinstance(child.tag, str):
            continue
        _elements(tree, child, tree.path[index], index, depth + 1)
        tail = child.tail
        if tail and not tail.isspace():
            said = f"{said} {tail.strip()}".strip()
    if said or not len(element):
        scalars[""] = said
    tree.last[index] = len(tree.path) - 1


def _local(name: str) -> str:
    """Return a name without its namespace."""
    return name.rpartition("}")[2]
