"""A strict, streaming reader for XML that strangers wrote: flat memory, no entities, no network, one grammar.

Text is handed to the parser piece by piece and never becomes a tree. Refused with `UntrustedInput`: any DOCTYPE
(seen before the parser sees it), another encoding than UTF-8, an unknown namespace, element or attribute, elements in
the wrong order or number, text where none belongs, and anything too deep, too long or cut short.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from dataclasses import dataclass

from lxml import etree

from rollproof.models.errors import UntrustedInput
from rollproof.models.names import inert

DEPTH_LIMIT = 64
TEXT_LIMIT_CHARACTERS = 64 << 10
"""For one element's text and one attribute: no path is longer, everything else is short."""

_SCHEMA_INSTANCE = "{http://www.w3.org/2001/XMLSchema-instance}"
_PIECE_BYTES = 64 << 10
_FORBIDDEN = b"<!DOCTYPE"


@dataclass(frozen=True, slots=True)
class Child:
    """An element that may stand inside another, how often at least and at most."""

    name: str
    least: int = 1
    most: int = 1


@dataclass(frozen=True, slots=True)
class Rule:
    """What one element may hold: text, or children in order (in any order and number when `choice`), or anything when
    `open_ended`."""

    children: tuple[Child, ...] = ()
    attributes: frozenset[str] = frozenset()
    text: bool = False
    choice: bool = False
    open_ended: bool = False


Rules = Mapping[str, Rule]
"""Rules by `parent/name`, or by `name` where the parent does not matter."""

Opened = Callable[[str, str, Mapping[str, str]], None]
"""Called with parent, name and attributes when an element opens."""
Closed = Callable[[str, str, Mapping[str, str], str], None]
"""Called with parent, name, attributes and text when an element closes."""


class _Open:
    """An element that has not closed yet."""

    __slots__ = ("attributes", "count", "length", "name", "position", "rule", "text")

    def __init__(self, name: str, rule: Rule, attributes: Mapping[str, str]) -> None:
        self.name = name
        self.rule = rule
        self.attributes = attributes
        self.position = 0
        self.count = 0
        self.text: list[str] = []
        self.length = 0


def _said(text: str) -> str:
    return inert(text[:100])


class _Grammar:
    """The parser's target: checks every event against the rules and passes it on."""

    def __init__(self, namespace: str, root: str, rules: Rules, opened: Opened, closed: Closed) -> None:
        self._prefix = f"{{{namespace}}}"
        self._root = root
        self._rules = rules
        self._opened = opened
        self._closed = closed
        self._known: dict[tuple[str, str], Rule] = {}
        self._stack: list[_Open] = []
        self._inside_open_ended = 0

    # --- what lxml calls
    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        if len(self._stack) + self._inside_open_ended >= DEPTH_LIMIT:
            raise UntrustedInput(f"The XML is nested more than {DEPTH_LIMIT} deep.")
        if self._inside_open_ended or (self._stack and self._stack[-1].rule.open_ended):
            self._inside_open_ended += 1
            return
        if not tag.startswith(self._prefix):
            raise UntrustedInput(f"The XML element <{_said(tag)}> is in a namespace or version that is not known.")
        name = tag[len(self._prefix) :]
        parent = self._stack[-1].name if self._stack else ""
        if self._stack:
            self._advance(self._stack[-1], name)
        elif name != self._root:
            raise UntrustedInput(f"The XML begins with <{_said(name)}> where <{self._root}> is expected.")
        rule = self._rule(parent, name)
        kept = self._checked(name, rule, attributes)
        self._stack.append(_Open(name, rule, kept))
        self._opened(parent, name, kept)

    def end(self, tag: str) -> None:
        if self._inside_open_ended:
            self._inside_open_ended -= 1
            return
        element = self._stack.pop()
        self._complete(element)
        parent = self._stack[-1].name if self._stack else ""
        self._closed(parent, element.name, element.attributes, "".join(element.text))

    def data(self, text: str) -> None:
        if self._inside_open_ended or not self._stack or self._stack[-1].rule.open_ended:
            return
        element = self._stack[-1]
        if element.rule.text:
            element.length += len(text)
            if element.length > TEXT_LIMIT_CHARACTERS:
                raise UntrustedInput(f"The text of <{element.name}> is longer than {TEXT_LIMIT_CHARACTERS} characters.")
            element.text.append(text)
        elif text.strip():
            raise UntrustedInput(f"There is text in <{element.name}>, where none belongs.")

    def doctype(self, *_: object) -> None:
        raise UntrustedInput("The XML brings a DOCTYPE, which is never accepted.")

    def comment(self, text: str) -> None:
        """Comments say nothing to us."""

    def pi(self, target: str, data: str | None = None) -> None:
        """Nor do processing instructions."""

    def close(self) -> None:
        """The end of the document; lxml has already seen to it that everything is closed."""

    # --- the rules
    def _rule(self, parent: str, name: str) -> Rule:
        rule = self._known.get((parent, name))
        if rule is None:
            rule = self._rules.get(f"{parent}/{name}") or self._rules[name]
            self._known[parent, name] = rule
        return rule

    @staticmethod
    def _checked(name: str, rule: Rule, attributes: Mapping[str, str]) -> Mapping[str, str]:
        kept: dict[str, str] = {}
        for key, value in attributes.items():
            if key.startswith(_SCHEMA_INSTANCE):
                continue  # a hint where the schema lies: nothing is ever fetched
            if key not in rule.attributes and not rule.open_ended:
                raise UntrustedInput(f"<{name}> has the unknown attribute {_said(key)!r}.")
            if len(value) > TEXT_LIMIT_CHARACTERS:
                raise UntrustedInput(f"An attribute of <{name}> is longer than {TEXT_LIMIT_CHARACTERS} characters.")
            kept[key] = value.replace(_ampersand(), "&")
        return kept

    @staticmethod
    def _advance(parent: _Open, name: str) -> None:
        rule = parent.rule
        if rule.choice:
            child = next((child for child in rule.children if child.name == name), None)
            if child is None:
                raise UntrustedInput(f"<{_said(name)}> does not belong into <{parent.name}>.")
            parent.count += 1
            if parent.count > child.most:
                raise UntrustedInput(f"<{parent.name}> holds more than {child.most} elements.")
            return
        while parent.position < len(rule.children):
            child = rule.children[parent.position]
            if child.name == name:
                parent.count += 1
                if parent.count > child.most:
                    raise UntrustedInput(f"<{parent.name}> holds more than {child.most} times <{name}>.")
                return
            if parent.count < child.least:
                raise UntrustedInput(f"<{parent.name}> has <{_said(name)}> where <{child.name}> is expected.")
            parent.position += 1
            parent.count = 0
        raise UntrustedInput(f"<{_said(name)}> does not belong into <{parent.name}>, or not there.")

    @staticmethod
    def _complete(element: _Open) -> None:
        rule = element.rule
        if rule.choice:
            if not element.count:
                raise UntrustedInput(f"<{element.name}> is empty.")
            return
        for index in range(element.position, len(rule.children)):
            child = rule.children[index]
            if child.least > (element.count if index == element.position else 0):
                raise UntrustedInput(f"<{element.name}> lacks <{child.name}>.")


class _Attribute:
    """A parser's target that keeps one attribute."""

    value = ""

    def start(self, _tag: str, attributes: Mapping[str, str]) -> None:
        self.value = attributes["a"]

    def end(self, _tag: str) -> None:
        pass

    def close(self) -> str:
        return self.value


@functools.cache
def _ampersand() -> str:
    """How the parser hands over an ampersand in an attribute.

    Where entities are not resolved, libxml2 leaves it as `&#38;` for a later step that a target never sees; asked
    rather than assumed, because that is no promise of the library.
    """
    parser = etree.XMLParser(target=_Attribute(), resolve_entities=False)  # type: ignore[arg-type]
    parser.feed(b'<x a="&amp;"/>')
    return str(parser.close())


class StrictReader:
    """Feeds one document through the grammar. After an error it must not be fed again."""

    def __init__(self, namespace: str, root: str, rules: Rules, opened: Opened, closed: Closed) -> None:
        self._parser = etree.XMLParser(
            # the stubs allow bytes for text, which is never what arrives
            target=_Grammar(namespace, root, rules, opened, closed),  # type: ignore[arg-type]
            encoding="utf-8",  # whatever the document claims: no DOCTYPE can hide in another encoding
            resolve_entities=False,
            no_network=True,
            load_dtd=False,
            dtd_validation=False,
            attribute_defaults=False,
            huge_tree=False,
        )
        self._tail = b""
        self._fed = False

    def feed(self, data: bytes) -> None:
        """Take the next bytes. Raises UntrustedInput."""
        for start in range(0, len(data), _PIECE_BYTES):
            piece = data[start : start + _PIECE_BYTES]
            window = self._tail + piece
            if _FORBIDDEN in window:
                raise UntrustedInput("The XML brings a DOCTYPE, which is never accepted.")
            self._tail = window[-(len(_FORBIDDEN) - 1) :]
            self._fed = True
            try:
                self._parser.feed(piece)
            except etree.LxmlError as error:
                raise _refusal(error) from None

    def close(self) -> None:
        """The end of the input: everything must have been closed. Raises UntrustedInput."""
        if not self._fed:
            raise UntrustedInput("The file is empty.")
        try:
            self._parser.close()
        except etree.LxmlError as error:
            raise _refusal(error) from None


def _refusal(error: etree.LxmlError) -> UntrustedInput:
    return UntrustedInput(f"It is no well-formed XML, or it is cut short: {inert(str(error))[:200]}")


def read_all(reader: StrictReader, chunks: Iterable[bytes]) -> None:
    """Feed all pieces and close. Raises UntrustedInput, and whatever the pieces raise."""
    with ended(chunks):
        for chunk in chunks:
            reader.feed(chunk)
    reader.close()


@contextlib.contextmanager
def ended(chunks: Iterable[bytes]) -> Iterator[None]:
    """Whoever reads a file in pieces and gives up in the middle lets go of the file now, not at some later moment of
    the garbage collector's."""
    try:
        yield
    finally:
        if isinstance(chunks, Generator):
            chunks.close()
