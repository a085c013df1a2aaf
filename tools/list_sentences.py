"""Every sentence the tool can print, collected from the source, to be read in one go: `python tools/list_sentences.py`.

Strings of findings, errors, views, screens and options, in the order of the files, each with its place. What is filled
in stands as `{…}`. Words that only code reads (keys, kinds, formats) are left out: a sentence has a space.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[1] / "src" / "rollproof"
_NOT_SHOWN = ("SELECT", "CREATE", "http", "-----")


def sentences(file: Path) -> Iterator[tuple[int, str]]:
    """Line and text of what a person may read; docstrings and bare strings are for those who read the code."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    shown_to_nobody = {
        id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    commands = "cli/commands" in file.as_posix()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            shown_to_nobody |= {id(part) for part in node.values}
        if commands and isinstance(node, ast.FunctionDef) and (told := ast.get_docstring(node)):
            yield node.lineno, " ".join(told.split())
    for node in ast.walk(tree):
        text = _text(node) if id(node) not in shown_to_nobody else ""
        if " " in text.strip() and any(letter.isalpha() for letter in text) and not text.startswith(_NOT_SHOWN):
            yield node.lineno, " ".join(text.split())  # type: ignore[attr-defined]


def _text(node: ast.AST) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "{…}" for part in node.values)
    return ""


def main() -> int:
    """Print them all."""
    for file in sorted(SOURCE.rglob("*.py")):
        found = sorted(set(sentences(file)))
        if found:
            print(f"\n{file.relative_to(SOURCE)}")
            for line, text in found:
                print(f"  {line:4}  {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
