"""What lies beside a published page redoes it: elsewhere, in a bare DuckDB, and a change of it is found."""

import os
import re
import shutil
import subprocess
import sys
import zipfile

import duckdb
import pytest

from store import Library
from store.publish import NotPublished
from store.publish.evidence_check import check_page
from tests.publish.pages import Page
from tests.publish.test_report import small_library, tree
from tui.cli.main import main
from tui.render.pages import publish


class Folders:
    """Pages by their devices, each written when first asked for and moved elsewhere."""

    def __init__(self, path, demo):
        shutil.copytree(demo, path / "library")
        self.path, self.library, self.made = path, Library.open(path / "library", who="login-name"), {}
        (path / "moved").mkdir()

    def __getitem__(self, key):
        if key not in self.made:
            publish(self.library, key.split(), self.path / "out" / key)
            self.made[key] = shutil.move(self.path / "out" / key, self.path / "moved" / key)
        return self.made[key]


@pytest.fixture(scope="module")
def folders(demo_library, tmp_path_factory):
    """Published pages of the demo."""
    return Folders(tmp_path_factory.mktemp("evidence"), demo_library)


LONG = ("PB-03", "PB-02", "PB-06", "PB-09", "AD-01", "PB-02 PB-03 PB-07")
KEYS = ["CB-02", *(pytest.param(key, marks=pytest.mark.long) for key in LONG)]


@pytest.mark.parametrize("key", KEYS)
def test_every_figure_and_result_is_got_again(folders, key):
    """Hashes, printed figures to their digits, results from the traces; none is left without a statement."""
    found = check_page(folders[key])
    assert found.wrong == ()
    assert found.figures >= 5
    assert found.results >= 20
    readme = (folders[key] / "data" / "README.md").read_text("utf-8")
    without = [line for line in readme.splitlines() if line.startswith("- ")]
    assert without == []


@pytest.mark.parametrize("key", KEYS)
def test_a_bare_duckdb_started_there_runs_the_file_as_it_is(folders, key, tmp_path):
    """Another process, its working folder `data`, nothing of ours imported: printed and again stand side by side."""
    code = (
        "import duckdb, sys\n"
        "con = duckdb.connect()\n"
        "for part in con.extract_statements(open('figures.sql', encoding='utf-8').read()):\n"
        "    rows = con.execute(part).fetchall()\n"
        "    if rows and len(rows[0]) == 7: print(rows[0][1], '=', rows[0][2], sep='|')\n"
        "assert not [name for name in sys.modules if name.split('.')[0] in ('store', 'tui', 'importers')]\n"
    )
    shutil.copytree(folders[key] / "data", tmp_path / "x y" / "data")
    done = subprocess.run(
        [sys.executable, "-I", "-c", code], cwd=tmp_path / "x y" / "data", capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert len(lines) == check_page(folders[key]).figures
    for line in lines:
        printed, again = line.split("|=|")
        number = re.match(r"-?[\d,]+(\.\d+)?", printed)
        if number and not re.search(r"\b(h|min|%)\b|%", printed):
            digits = len((number[1] or ".")[1:])
            assert abs(float(number[0].replace(",", "")) - float(again)) <= 0.5000001 * 10**-digits, line


@pytest.mark.parametrize("key", KEYS)
def test_what_the_file_calls_printed_is_printed(folders, key):
    """Each figure of figures.sql stands on the page, with its unit beside it or in the head."""
    text = Page((folders[key] / "report.html").read_text("utf-8")).text.replace("\u00a0", " ")
    sql = (folders[key] / "data" / "figures.sql").read_text("utf-8")
    printed = re.findall(r"^SELECT '(?:[^']|'')*' AS figure, '((?:[^']|'')*)' AS printed", sql, re.MULTILINE)
    assert printed
    for figure in printed:
        bare = re.sub(r" [^\d ]\S*$", "", figure) if " min" not in figure and " s" not in figure else figure
        assert bare in text, figure


def test_names_of_people_machines_and_folders_stand_in_none_of_it(folders):
    """Neither the login name nor a folder of this machine is in a file, nor in the page."""
    for folder in (folders["CB-02"],):
        for name, content in tree(folder).items():
            if not name.endswith((".zip", ".parquet")):
                assert b"login-name" not in content, name
                assert b"/tmp/" not in content, name


def test_the_zip_holds_all_of_it(folders):
    """What is unpacked is what lies beside."""
    for folder in (folders["CB-02"],):
        (packed,) = folder.glob("*.zip")
        with zipfile.ZipFile(packed) as archive:
            held = {name: archive.read(name) for name in archive.namelist()}
        beside = {name: content for name, content in tree(folder).items() if not name.endswith(".zip")}
        assert held == beside


def test_a_change_is_found(folders, tmp_path):
    """One digit of a result, one sample, a figure that the page prints, a file more: each is named."""
    source = folders["CB-02"]

    def changed(name, what, by):
        target = tmp_path / name
        shutil.copytree(source, target)
        path = target / "data" / what
        path.write_bytes(by(path.read_bytes()))
        return check_page(target).wrong

    found = changed("a", "results.csv", lambda text: re.sub(rb"(resistance_mohm\"?,)(\d)", rb"\g<1>9\2", text))
    assert any("results.csv is not what was published" in line for line in found)
    assert any("the files give" in line for line in found)
    found = changed("b", "results.sql", lambda text: re.sub(rb"(?m)^(-- run \d+, \S+: )\S+$", rb"\g<1>1.5", text))
    assert any("was published, the trace gives" in line for line in found)
    shutil.copytree(source, tmp_path / "c")
    (tmp_path / "c" / "data" / "more.csv").write_text("x")
    assert any("more.csv is not part" in line for line in check_page(tmp_path / "c").wrong)
    with pytest.raises(NotPublished, match="no evidence"):
        check_page(tmp_path)


def test_a_page_from_elsewhere_can_read_nothing_else_and_write_nothing(folders, tmp_path):
    """Statements of a stranger: no other file is read, none is written, the check says so."""
    shutil.copytree(folders["CB-02"], tmp_path / "page")
    sql = tmp_path / "page" / "data" / "figures.sql"
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")
    columns = "'x' AS figure, '1' AS printed, 1.0 AS again, NULL AS uncertainty, '1' AS unit, 'number' AS shown"
    sql.write_text(
        sql.read_text("utf-8")
        + f"\nSELECT {columns} FROM read_csv('{secret}');\nCOPY (SELECT 1) TO '{tmp_path / 'written.csv'}';\n",
        "utf-8",
    )
    wrong = check_page(tmp_path / "page").wrong
    assert sum("not reproduced" in line for line in wrong) == 2
    assert not (tmp_path / "written.csv").exists()


def test_the_command_says_what_it_found(folders, tmp_path, capsys):
    """Status 0 and a count; 1 and a sentence for each that differs."""
    assert main(["check-page", str(folders["CB-02"])]) == 0
    assert "0 differ" in capsys.readouterr().err
    shutil.copytree(folders["CB-02"], tmp_path / "page")
    (tmp_path / "page" / "data" / "claims.csv").unlink()
    assert main(["check-page", str(tmp_path / "page")]) == 1
    assert "claims.csv is missing" in capsys.readouterr().out


def test_same_bytes_in_any_process(tmp_path):
    """Two processes with other hash seeds and another place give the same files, the page and its ZIP too."""
    library = small_library(tmp_path / "library", with_recharge=True)
    publish(library, ["PB-01"], tmp_path / "first")
    shutil.copytree(library.path, tmp_path / "else where" / "library")
    for seed, place in (("1", tmp_path / "library"), ("77", tmp_path / "else where" / "library")):
        target = tmp_path / f"out-{seed}"
        command = ["--library", str(place), "report", "PB-01", "-o", str(target)]
        subprocess.run([sys.executable, "-m", "tui", *command], env={**os.environ, "PYTHONHASHSEED": seed}, check=True)
    assert tree(tmp_path / "out-1") == tree(tmp_path / "out-77") == tree(tmp_path / "first")


def test_the_traces_are_whole(folders):
    """A run's file has every channel's column and as many samples as its run."""
    data = folders["CB-02"] / "data"
    for path in sorted((data / "traces").glob("*.parquet"))[:5]:
        number = int(path.stem.removeprefix("run-"))
        count = duckdb.execute(f"SELECT count(*) FROM read_parquet('{path}')").fetchone()[0]
        stated = duckdb.execute(f"SELECT samples FROM read_csv('{data / 'runs.csv'}') WHERE run_id = {number}")
        assert stated.fetchone()[0] == count
