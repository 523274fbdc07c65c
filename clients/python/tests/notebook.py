"""Runs the code of a notebook, cell after cell, and compares what comes of it with what the notebook holds.

    PYTHONPATH=. python3 tests/notebook.py examples/noise.ipynb [--update]

It takes the place of a kernel: what a cell prints is its stream, and what its last line
gives is its result, as SVG where it can draw itself, else as text. --update writes what came
into the notebook. Cells that take input or use magics are not run by it.
"""

from __future__ import annotations

import ast
import contextlib
import difflib
import io
import json
import pathlib
import sys
from typing import Any


def run(source: str, name: str, scope: dict[str, Any]) -> list[dict[str, Any]]:
    """Runs one cell and returns its outputs as a notebook holds them."""
    tree = ast.parse(source, name)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    printed, result = io.StringIO(), None
    with contextlib.redirect_stdout(printed):
        exec(compile(tree, name, "exec"), scope)
        if isinstance(last, ast.Expr):
            result = eval(compile(ast.Expression(last.value), name, "eval"), scope)
    out: list[dict[str, Any]] = []
    if printed.getvalue():
        out.append({"name": "stdout", "output_type": "stream", "text": lines(printed.getvalue())})
    if result is not None:
        data = {"text/plain": lines(repr(result))}
        if hasattr(result, "_repr_svg_"):
            data = {"image/svg+xml": lines(result._repr_svg_())} | data
        out.append({"data": data, "execution_count": None, "metadata": {}, "output_type": "execute_result"})
    return out


def lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


def main(arguments: list[str]) -> int:
    path = pathlib.Path(arguments[0])
    before = path.read_text()
    book = json.loads(before)
    scope: dict[str, Any] = {"__name__": "__main__"}
    cells = [c for c in book["cells"] if c["cell_type"] == "code"]
    for number, cell in enumerate(cells, 1):
        cell["outputs"] = run("".join(cell["source"]), f"{path.name}, cell {number}", scope)
        cell["execution_count"] = number
        for output in cell["outputs"]:
            if "execution_count" in output:
                output["execution_count"] = number
    after = json.dumps(book, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    if "--update" in arguments:
        path.write_text(after)
    elif after != before:
        sys.stdout.writelines(difflib.unified_diff(lines(before), lines(after), str(path), "as it ran"))
        return 1
    print(f"{len(cells)} cells of {path.name} ran")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
