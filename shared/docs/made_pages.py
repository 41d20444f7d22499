"""Pages that are made from what is there: a reference of the public names, and the gallery."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "residuekit"
#: A heading, or a name with its home and what it does, in the table of names of the package.
_LINE = re.compile(
    r'    (?:# (?P<heading>.+)|"(?P<name>\w+)": "(?P<home>[\w.]+)",(?:  # (?P<what>.+))?)$'
)


def on_files(files: Any, config: Any) -> Any:
    """Add both to the pages that are written, and to the navigation."""
    from mkdocs.structure.files import File

    made = {"Reference": dict(reference()), "Gallery": {}}
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        text, pictures = page_of(path)
        made["Gallery"][f"gallery/{path.stem}.md"] = text
        for name, content in pictures.items():
            files.append(File.generated(config, f"gallery/{name}", content=content))
    for pages in made.values():
        for name, text in pages.items():
            files.append(File.generated(config, name, content=text))
    config.nav = [*config.nav, *({heading: list(pages)} for heading, pages in made.items())]
    return files


def reference() -> Iterator[tuple[str, str]]:
    """A page a heading of the table of names, with the help of each of its names."""
    heading, rows = "", {}
    for line in (PACKAGE / "__init__.py").read_text(encoding="utf-8").splitlines():
        found = _LINE.match(line)
        if found and found["heading"]:
            heading = found["heading"]
            rows[heading] = []
        elif found and found["name"] != "limits":
            rows[heading].append((found["name"], found["home"], found["what"] or ""))
    for heading, names in rows.items():
        title = heading[0].upper() + heading[1:]
        parts = [f"# {title}", "| name | what it does |\n|---|---|"]
        parts[-1] += "".join(f"\n| [`{name}`][{_place(name, home)}] | {what} |"
                             for name, home, what in names)  # fmt: skip
        parts += [_help(name, home) for name, home, _ in names]
        yield f"reference/{re.sub(r'[^a-z]+', '-', heading)}.md", "\n\n".join(parts) + "\n"


def _place(name: str, home: str) -> str:
    return f"residuekit.{home}" if home == name else f"residuekit.{home}.{name}"


def _help(name: str, home: str) -> str:
    text = f"::: {_place(name, home)}"
    if home != name:
        return text
    path = PACKAGE / name / "__init__.py"
    tree = ast.parse((path if path.is_file() else PACKAGE / f"{name}.py").read_text("utf-8"))
    defined = (node for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef))
    public = [node.name for node in defined if node.name[0] != "_"]
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            public = ast.literal_eval(node.value)
    # A function that bears the name of its own file would be taken for the file.
    imports = (node for node in tree.body if isinstance(node, ast.ImportFrom))
    hidden = [node.module for node in imports if node.module in {one.name for one in node.names}]
    text += f"\n    options:\n      members: {[one for one in public if one not in hidden]}"
    return "\n\n".join([text, *(f"::: residuekit.{home}.{one}.{one}" for one in hidden)])


def page_of(path: Path) -> tuple[str, dict[str, bytes]]:
    """A notebook as it is stored, as Markdown; its pictures by name."""
    from nbconvert import MarkdownExporter

    text, resources = MarkdownExporter().from_filename(str(path))
    pictures = {f"{path.stem}-{name}": data for name, data in resources["outputs"].items()}
    for name in resources["outputs"]:
        text = text.replace(f"]({name})", f"]({path.stem}-{name})")
    text = re.sub(r"<style.*?</style>", "", text, flags=re.DOTALL)
    return text.replace('<table border="1" class="dataframe">', "<table>"), pictures
