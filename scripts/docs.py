"""Write docs/ from what the program says of itself: commands, codes, tables, settings, profiles.

python3 scripts/docs.py           write the pages
python3 scripts/docs.py --check   say which page is not up to date, and exit 1
"""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

NOTE = "<!-- Written by scripts/docs.py from the program; edit the program instead. -->\n"


def commands() -> str:
    """Describe every command with its arguments and options."""
    import typer.main

    from desk.main import build

    lines = ["# Commands", "", NOTE]
    for path, command in _commands(typer.main.get_command(build()), ""):
        lines += [f"## glasstally {path}", "", _text(command.help), ""]
        rows = [_parameter(p) for p in command.params if p.name != "help"]
        if rows:
            lines += ["| option | meaning |", "|---|---|", *rows, ""]
    return "\n".join(lines)


def _commands(command: Any, path: str) -> Iterator[tuple[str, Any]]:
    inner = getattr(command, "commands", None)
    if inner is None:
        yield path.strip(), command
        return
    for name in inner:
        yield from _commands(inner[name], f"{path} {name}")


def _parameter(parameter: Any) -> str:
    if parameter.param_type_name == "argument":
        name = parameter.metavar or (parameter.name or "").upper()
    else:
        name = ", ".join([*parameter.opts, *parameter.secondary_opts])
    return f"| `{name}` | {_text(getattr(parameter, 'help', '') or '').replace('|', '/')} |"


def _text(text: str | None) -> str:
    return inspect.cleandoc(text or "").replace("\n", " ").replace("  ", "\n\n")


def codes() -> str:
    """List every code of faults, findings and questions with meaning and remedy."""
    import rules.codes
    from rules.codes import Code

    lines = ["# Codes", "", NOTE]
    for module_info in pkgutil.iter_modules(rules.codes.__path__):
        module = importlib.import_module(f"rules.codes.{module_info.name}")
        lines += [f"## {_first(module.__doc__)}", ""]
        lines += ["| code | severity | meaning | remedy | origin |", "|---|---|---|---|---|"]
        for value in vars(module).values():
            if not isinstance(value, dict):
                continue
            for code in value.values():
                if isinstance(code, Code):
                    cells = (
                        f"`{code.slug}`",
                        code.severity,
                        code.meaning,
                        code.remedy,
                        code.origin,
                    )
                    lines.append("| " + " | ".join(c.replace("|", "/") for c in cells) + " |")
        lines.append("")
    return "\n".join(lines)


def _first(text: str | None) -> str:
    return (text or "").strip().split("\n")[0].rstrip(".")


def tables_page() -> str:
    """List the columns of every public table with their kinds."""
    from rules import tables

    lines = ["# Tables", "", NOTE, *inspect.cleandoc(tables.__doc__ or "").split("\n"), ""]
    for name, columns in tables.PUBLIC.items():
        lines += [f"## {name}", "", f"Sorted by {', '.join(tables.KEYS[name])}.", "",
                  "| column | kind |", "|---|---|"]  # fmt: skip
        # what leaves the product is spelled out
        lines += [
            f"| `{column}` | {'text' if kind == 'few' else kind} |"
            for column, kind in columns.items()
        ]
        lines.append("")
    return "\n".join(lines)


def settings() -> str:
    """List every key of job.toml with its default and meaning."""
    from ingest import jobfile

    lines = ["# Settings (job.toml)", "", NOTE]
    meanings = _attribute_docs(ROOT / "ingest" / "jobfile.py")
    meanings |= _attribute_docs(ROOT / "rules" / "settings.py")
    for name, model in inspect.getmembers(jobfile, inspect.isclass):
        if model.__module__ != jobfile.__name__ or not hasattr(model, "model_fields"):
            continue
        if not model.model_fields:
            continue
        lines += [f"## {name}: {_first(model.__doc__)}", "",
                  "| key | default | meaning |", "|---|---|---|"]  # fmt: skip
        for key, field in model.model_fields.items():
            default = "required" if field.is_required() else repr(field.get_default(
                call_default_factory=True))  # fmt: skip
            shown = default if len(default) < 60 else "see the commented job.toml"
            meaning = meanings.get(key, "").replace("|", "/")
            lines.append(f"| `{key}` | {shown.replace('|', '/')} | {meaning} |")
        lines.append("")
    return "\n".join(lines)


def _attribute_docs(path: Path) -> dict[str, str]:
    """Read the strings below the attributes of a module's classes."""
    found: dict[str, str] = {}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ClassDef):
            continue
        for before, after in zip(node.body, node.body[1:], strict=False):
            if (
                isinstance(before, ast.AnnAssign)
                and isinstance(before.target, ast.Name)
                and isinstance(after, ast.Expr)
                and isinstance(after.value, ast.Constant)
            ):
                found[before.target.id] = " ".join(str(after.value.value).split())
    return found


PAGES = {
    "commands.md": commands, "codes.md": codes, "tables.md": tables_page, "settings.md": settings,
}  # fmt: skip


def main() -> None:
    check = "--check" in sys.argv[1:]
    old = []
    for name, make in PAGES.items():
        path = ROOT / "docs" / name
        text = make().rstrip("\n") + "\n"
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        old.append(name)
        if not check:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
    print("docs:", "up to date" if not old else ", ".join(old) + (" old" if check else " written"))
    if check and old:
        sys.exit(1)


if __name__ == "__main__":
    main()
