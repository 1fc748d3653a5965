"""Break each layer in a copy of the tree, run the tests that must see it, and print which one did."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.mutations.table import MUTATIONS, Mutation
from tests.repo.house import ROOT

_LEFT_OUT = shutil.ignore_patterns(".git", ".venv", "__pycache__", "*.egg-info", "build", ".mypy_cache", ".ruff_cache")


def _pytest(tree: Path, tests: tuple[str, ...]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "-n",
            "0",
            "-p",
            "no:cacheprovider",
            *(f"tests/{t}" for t in tests),
        ],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": str(tree / "daemon"), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


def _seen_by(tree: Path, mutation: Mutation) -> str | None:
    """The test that failed; None: none did."""
    file = tree / "daemon" / "lungfish" / mutation.file
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace(mutation.old, mutation.new), encoding="utf-8")
    try:
        done = _pytest(tree, mutation.tests)
    finally:
        file.write_text(text, encoding="utf-8")
    found = re.search(r"^(?:FAILED|ERROR) tests/(\S+)", done.stdout, re.MULTILINE)
    return found.group(1) if found else (None if done.returncode == 0 else f"pytest ended with {done.returncode}")


def main(wanted: list[str]) -> int:
    """Run those whose layer or file has one of these words in it, or all; 0 when every one was seen."""
    chosen = [each for each in MUTATIONS if not wanted or any(w in each.layer or w in each.file for w in wanted)]
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=_LEFT_OUT, symlinks=True)
        for number, mutation in enumerate(chosen, start=1):
            seen = _seen_by(tree, mutation)
            missed += seen is None
            print(
                f"{number:>2} of {len(chosen)}  {'NOT SEEN' if seen is None else 'seen'}  {mutation.layer}", flush=True
            )
            print(f"          {mutation.file}; {seen or 'by none of ' + ', '.join(mutation.tests)}", flush=True)
    print(f"{len(chosen) - missed} of {len(chosen)} broken layers were seen by a test")
    return 0 if missed == 0 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
