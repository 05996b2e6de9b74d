"""Another package of the name of one of our parts in the same environment: one sentence, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("part", ["store", "importers"])
@pytest.mark.parametrize("words", [["runs"], ["inspect", "x.csv"], ["--help"]])
def test_a_strange_package_is_named_in_one_sentence(tmp_path: Path, part: str, words: list[str]) -> None:
    (tmp_path / part).mkdir()
    (tmp_path / part / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "x.csv").write_text("t,V\n0,5\n", encoding="utf-8")
    paths = os.pathsep.join([str(tmp_path), str(ROOT)])
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.argv[1:] = {words}; from tui.cli.start import main; sys.exit(main())"],
        env=os.environ | {"PYTHONPATH": paths, "JOULEBOOK_LIBRARY": str(tmp_path / "none")},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert "Traceback" not in done.stderr
    if done.returncode != 0 and f"called `{part}`" in done.stderr:
        assert str(tmp_path / part) in done.stderr
        assert done.stderr.count("\n") <= 3
    else:  # what was asked needs nothing of that part
        assert words == ["--help"]
        assert part == "importers"
