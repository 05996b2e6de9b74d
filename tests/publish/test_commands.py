"""The commands of publishing, choosing and the bench: what they print, write and refuse, and their status."""

import json
import shutil

import pytest

from store import Library
from tests.publish.test_report import small_library
from tui.cli.main import main


@pytest.fixture(scope="module")
def demo(demo_library, tmp_path_factory):
    path = tmp_path_factory.mktemp("commands") / "survey-store"
    shutil.copytree(demo_library, path)
    return path


@pytest.fixture
def small(tmp_path):
    return small_library(tmp_path / "library").path


def call(library, *words):
    return main(["--library", str(library), *map(str, words)])


def test_choose_answers_and_says_who_was_shut_out(demo, tmp_path, capsys):
    """The answer first, then every gate that shut a device out, then scores."""
    need = tmp_path / "need.toml"
    need.write_text('title = "field"\nusable_wh = 40\nmass_g = 450\nmay_fly = true\n')
    assert call(demo, "choose", "--need", need) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[1] == "Only PB-02 meets the requirements."
    assert "every claim that was tested is kept" in out
    assert "Of this sample" in out
    assert call(demo, "choose", "--need", need, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert "PB-03" in document["shut_out"]
    assert document["placed"][0]["device"] == "PB-02"


def test_choose_says_when_nothing_meets_the_need(demo, tmp_path, capsys):
    """Status 1, and for each device the gate."""
    need = tmp_path / "need.toml"
    need.write_text("usable_wh = 4000\n")
    assert call(demo, "choose", "--need", need) == 1
    out = capsys.readouterr().out
    assert "No tested device meets the requirements." in out
    for device in (f"PB-0{n}" for n in range(1, 10)):
        assert device in out


def test_the_template_is_a_need_that_can_be_read(demo, tmp_path, capsys):
    """What `--template` prints works as it is."""
    assert call(demo, "choose", "--template") == 0
    need = tmp_path / "need.toml"
    need.write_text(capsys.readouterr().out, encoding="utf-8")
    assert call(demo, "choose", "--need", need) in (0, 1)


@pytest.mark.parametrize("text", ["usable_hw = 3", "[[gate]]\nquantity = 3", "\x00"])
def test_a_need_with_mistakes_is_refused_with_its_line(demo, tmp_path, capsys, text):
    """One sentence, no traceback."""
    need = tmp_path / "need.toml"
    need.write_text(text)
    assert call(demo, "choose", "--need", need) == 1
    assert "need.toml" in capsys.readouterr().err


def test_rate_keeps_versions_and_says_what_moves(demo, tmp_path, capsys):
    """A version's text never changes; a new one names the ratings that move."""
    assert call(demo, "rate", "--print") == 0
    text = capsys.readouterr().out
    scheme = tmp_path / "scheme.toml"
    scheme.write_text(text, encoding="utf-8")
    assert call(demo, "rate", scheme) == 0
    capsys.readouterr()
    scheme.write_text(text.replace("weight = 0.40", "weight = 0.05"), encoding="utf-8")
    assert call(demo, "rate", scheme) == 1
    assert "Raise `version` to 2" in capsys.readouterr().err
    scheme.write_text(
        text.replace("weight = 0.40", "weight = 0.05").replace("version = 1", "version = 2"), encoding="utf-8"
    )
    assert call(demo, "rate", scheme, "--reason", "mass counts less") == 0
    out = capsys.readouterr().out
    assert "against version 1:" in out
    assert "->" in out
    kept = Library.open(demo).sql.run("SELECT version, reason FROM schemes ORDER BY version").table.to_pylist()
    assert kept == [{"version": 1, "reason": ""}, {"version": 2, "reason": "mass counts less"}]


def test_export_by_numbers_and_by_filter(small, tmp_path, capsys):
    """Either way; a folder in use is refused where nobody can be asked."""
    assert call(small, "export", "1", "-o", tmp_path / "a") == 0
    assert call(small, "export", "kind:discharge", "-o", tmp_path / "b", "--format", "parquet") == 0
    assert (tmp_path / "b" / "run-000001.parquet").exists()
    assert call(small, "export", "1", "-o", tmp_path / "a") == 2
    assert "--force" in capsys.readouterr().err
    assert call(small, "export", "1", "-o", tmp_path / "a", "--force") == 0
    assert call(small, "export", "kind:heat", "-o", tmp_path / "c") == 1
    assert call(small, "export", "1", "-o", tmp_path / "d", "--bdf") == 0
    assert sorted(p.suffix for p in (tmp_path / "d").iterdir()) == [".csv", ".json"]


def test_report_is_issued_once_and_kept(small, tmp_path, capsys):
    """What was said of tester and opinions is kept; a change asks for its reason."""
    assert call(small, "report", "PB-01", "-o", tmp_path / "a", "--tester", "A. Tester", "--opinion", "Slim.") == 0
    assert call(small, "report", "PB-01", "-o", tmp_path / "b") == 0
    assert (tmp_path / "a" / "report.html").read_bytes() == (tmp_path / "b" / "report.html").read_bytes()
    assert call(small, "report", "PB-01", "-o", tmp_path / "c", "--place", "Bench 2") == 1
    assert "Give a reason with --reason" in capsys.readouterr().err
    assert not (tmp_path / "c").exists()
    assert call(small, "report", "PB-01", "-o", tmp_path / "c", "--place", "Bench 2", "--reason", "asked") == 0
    capsys.readouterr()
    assert call(small, "report", "--list") == 0
    listed = capsys.readouterr().out
    number = listed.splitlines()[1].split()[0]
    assert len(listed.splitlines()) == 3
    assert call(small, "report", "--id", number, "--version-number", 1, "-o", tmp_path / "old") == 0
    assert (tmp_path / "old" / "report.html").read_bytes() == (tmp_path / "a" / "report.html").read_bytes()


def test_the_tester_is_kept_for_every_page(small, tmp_path, capsys):
    """Said once it stands on the pages of other devices too; a login name never does; a draft keeps nothing."""
    words = ("--contact", "bench@survey.invalid", "--place", "Bench 2")
    assert call(small, "report", "PB-01", "-o", tmp_path / "d", "--tester", "D. Raft", "--draft") == 0
    assert call(small, "report", "PB-01", "-o", tmp_path / "a") == 0
    assert "not stated" in (tmp_path / "a" / "report.html").read_text("utf-8")
    assert (
        call(small, "report", "PB-01", "-o", tmp_path / "b", "--tester", "A. Tester", *words, "--reason", "named") == 0
    )
    Library.open(small).runs.edit([1], {"device": "PB-02"}, reason="another")
    assert call(small, "report", "PB-02", "-o", tmp_path / "c") == 0
    page = (tmp_path / "c" / "report.html").read_text("utf-8")
    for text in ("A. Tester", "bench@survey.invalid", "Bench 2"):
        assert text in page
    capsys.readouterr()


def test_report_refuses_in_sentences(small, tmp_path, capsys):
    """No folder, no device, an unknown one, a folder in use."""
    assert call(small, "report", "PB-01") == 2
    assert call(small, "report", "-o", tmp_path / "a") == 2
    assert call(small, "report", "PB-77", "-o", tmp_path / "a") == 1
    assert "PB-01" in capsys.readouterr().err
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("x")
    assert call(small, "report", "PB-01", "-o", tmp_path / "full") == 2
    assert "--force" in capsys.readouterr().err


def test_plot_writes_a_file(small, tmp_path, capsys):
    """By its ending; the words of the picture are said."""
    assert call(small, "plot", "1", "-o", tmp_path / "x.svg", "--channel", "voltage_v") == 0
    assert "voltage" in capsys.readouterr().err
    assert call(small, "plot", "1", "-o", tmp_path / "x.svg") == 2
    assert call(small, "plot", "1", "-o", tmp_path / "x.gif") == 1


def test_next_names_the_test_and_its_caution(demo, capsys):
    """What to do, how, what to mind, and the import that belongs to it."""
    assert call(demo, "next", "PB-03") == 0
    out = capsys.readouterr().out
    assert out.startswith("PB-03: discharge on C1")
    assert "caution: Lithium cells" in out
    assert "joulebook import LOG --device PB-03 --kind discharge --port C1" in out
    assert call(demo, "next", "--json") == 0
    assert {step["device"] for step in json.loads(capsys.readouterr().out)} >= {"PB-01", "PB-09"}
    assert call(demo, "next", "PB-99") == 1


def test_watch_once_takes_what_is_there(tmp_path, capsys):
    """Facts given once; a file that is no export is told, the rest is imported, status 1."""
    from tests.publish.test_watch import EXPORTS

    folder = tmp_path / "logs"
    folder.mkdir()
    shutil.copy(EXPORTS / "a-inline-seconds.csv", folder)
    (folder / "bad.csv").write_text("x\n")
    words = ("watch", folder, "--once", "--settle", "0", "--every", "0.1", "--device", "PB-07")
    assert call(tmp_path / "library", *words) == 1
    told = capsys.readouterr()
    assert "run 1" in told.out
    assert "bad.csv" in told.err
    assert Library.open(tmp_path / "library").runs.get(1).facts.device == "PB-07"
    assert call(tmp_path / "library", "watch", tmp_path / "none", "--once") == 1
