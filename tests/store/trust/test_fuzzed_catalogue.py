"""Damaged pages of the catalogue: a sentence, a finding, or the same answers; never another number, never a crash."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from store import Library, StoreError
from tests.store.trust.libraries import everything, make_bench

PAGE = 4096
ROOT = Path(__file__).resolve().parents[3]


def damaged(whole: bytes, rng: np.random.Generator) -> bytes:
    """A page of zeros, of noise, of another page, or with some bits flipped."""
    raw = bytearray(whole)
    pages = len(raw) // PAGE
    at = int(rng.integers(pages)) * PAGE if rng.random() < 0.8 else int(rng.integers(3)) * PAGE
    how = int(rng.integers(4))
    if how == 0:
        raw[at : at + PAGE] = bytes(PAGE)
    elif how == 1:
        raw[at : at + PAGE] = rng.bytes(PAGE)
    elif how == 2:
        other = int(rng.integers(pages)) * PAGE
        raw[at : at + PAGE] = raw[other : other + PAGE]
    else:
        for bit in rng.integers(0, PAGE * 8, 8):
            raw[at + int(bit) // 8] ^= 1 << (int(bit) % 8)
    return bytes(raw)


def try_pages(folder: str, seed: int, count: int) -> None:
    """In a process of its own, for a damaged page might end it: exit status 3 where a wrong answer got through."""
    library = Library.open(folder, who="tester")
    before = everything(library)
    catalogue = library.layout.catalogue
    whole = catalogue.read_bytes()
    rng = np.random.default_rng(seed)
    told = 0
    for _ in range(count):
        catalogue.write_bytes(damaged(whole, rng))
        for path in library.path.glob("catalogue.duckdb.damaged-*"):
            path.unlink()
        try:
            again = Library.open(folder, who="tester")
            if again.maintenance.verify(quick=False):
                told += 1
            elif everything(again) != before:
                raise SystemExit(3)
        except StoreError as error:
            told += "joulebook" in str(error)
    catalogue.write_bytes(damaged(whole, np.random.default_rng(seed + 1)))
    again, _ = Library.rebuilt(folder, who="tester")
    if everything(again) != before:
        raise SystemExit(4)
    print(f"{count} damaged pages, seed {seed}: {told} told, {count - told} changed nothing")


@pytest.mark.parametrize("count", [25, pytest.param(1000, marks=pytest.mark.long)])
def test_a_damaged_page_gives_no_wrong_answer(tmp_path: Path, count: int):
    library = make_bench(tmp_path, runs=3)
    shutil.rmtree(library.path / "tmp")
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    call = f"try_pages({str(library.path)!r}, {seed}, {count})"
    code = f"from tests.store.trust.test_fuzzed_catalogue import try_pages; {call}"
    child = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    print(child.stdout)
    assert child.returncode == 0, f"seed {seed}: exit status {child.returncode}\n{child.stderr[-2000:]}"
