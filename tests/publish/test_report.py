"""A report: its numbers are those of SQL, its bytes are repeatable, its versions are kept, and it loads nothing."""

import re
import shutil
from collections import Counter
from importlib import resources

import pytest

from importers.schema import Facts
from store import Library, NotFound, TraceDamaged
from store.model.document import Sql, Table
from store.model.records import Meter
from store.model.sheet import ClaimSheet, DeviceSheet, PortSheet
from store.publish import (
    FolderInUse,
    NotPublished,
    ReasonWanted,
    Report,
    draft_of,
    gather_report,
    issue_report,
    load_issue,
    plot_runs,
)
from store.publish.content import plots_of
from tests.builders import add_run, make_run, write_export
from tests.publish.pages import Page, contrast
from tui.render.pages import write_report
from tui.render.pages.markdown import as_markdown, escaped


def tree(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def small_library(path, device="PB-01", *, with_recharge=False, **texts):
    """One device with a discharge, and a recharge where asked for."""
    library = Library.create(path, zone="UTC", who=texts.get("who", "tester"))
    claim = ClaimSheet(
        "energy_out_wh", "at least", 40.0, unit="Wh", kind="discharge", printed_on=texts.get("on", "box")
    )
    library.devices.save(
        DeviceSheet(
            device,
            "power bank",
            model=texts.get("model", "a model"),
            note=texts.get("note", ""),
            rated_energy_wh=50.0,
            mass_g=300.0,
            ports=(PortSheet("C1", "USB-C", "both"),),
            claims=(claim,),
        )
    )
    library.meters.add(Meter(texts.get("meter", "M1"), "0.1%", "0.1%"))
    runs = [("out", 20.0, "discharge", 1), *([("in", 9.0, "recharge", 2)] if with_recharge else [])]
    for name, volts, kind, seed in runs:
        facts = Facts(
            device=device,
            port=texts.get("port", "C1"),
            mode=texts.get("mode", "fixed 20 V"),
            kind=kind,
            load=texts.get("load", "30 W"),
            meter=texts.get("meter", "M1"),
            ambient_c=22.0,
        )
        add_run(library, write_export(path.parent, f"{name}.csv"), make_run(600, volts=volts, seed=seed), facts=facts)
    return library


# what it says


def test_content_survives_its_json(content):
    """What is frozen into the catalogue comes back as it was."""
    assert Report.from_json(content.as_json()) == content


def test_every_figure_can_be_redone_by_its_sql(published, content):
    """The appendix's queries give the published numbers."""
    queries = [block for block in content.sections[-1].blocks if isinstance(block, Sql) and block.sql]
    assert sum(query.quantity is not None for query in queries) >= 8
    for query in queries:
        for part in query.sql.split(";\n\n"):
            answer = published.sql.run(part, limit=None).table
            assert answer.num_rows > 0, query.name
        if query.quantity is not None:
            assert answer.column("value")[0].as_py() == pytest.approx(query.quantity.value, rel=1e-9), query.name


@pytest.mark.parametrize("device", ["PB-02", "PB-09", "AD-01", "CB-01"])
def test_every_headline_figure_is_one_query(published, device):
    """An adapter measured beside the recharge, a load that was cut back, both sides of an adapter, a cable."""
    page = published.devices.page(device)
    wanted = sum(figure.value is not None for figure in page.figures)
    queries = [b for b in gather_report(published, [device]).sections[-1].blocks if isinstance(b, Sql)]
    headline = [query for query in queries if query.quantity is not None]
    assert len(headline) == wanted > 0
    for query in headline:
        assert published.sql.run(query.sql).table.column("value")[0].as_py() == pytest.approx(
            query.quantity.value, rel=1e-9
        )


def test_results_on_the_page_are_those_of_sql(published, content):
    """Each single-run cell of the discharge table equals `results` in SQL, to the digits shown."""
    table = next(
        b for s in content.sections for b in s.blocks if isinstance(b, Table) and b.caption.startswith("Discharge")
    )
    heads = [column.head for column in table.columns]
    checked = 0
    for row in table.rows:
        runs = row[-1].shown()
        if "," in runs:
            continue
        sql = f"SELECT value FROM results WHERE \"current\" AND name = 'energy_out_wh' AND run_id = {runs}"
        stored = published.sql.run(sql).table.column("value")[0].as_py()
        assert row[heads.index("delivered energy")].quantity.value == stored
        checked += 1
    assert checked >= 5


def test_an_adapters_efficiencies_can_be_redone(published):
    """From the samples of both sides alone, by the queries of the appendix."""
    content = gather_report(published, ["AD-01"])
    queries = [block for block in content.sections[-1].blocks if isinstance(block, Sql)]
    averages = [query for query in queries if query.name == "average efficiency"]
    assert len(averages) == 2
    for query in averages:
        assert published.sql.run(query.sql).table.column("value")[0].as_py() == pytest.approx(
            query.quantity.value, rel=1e-9
        )
    table = next(
        b for s in content.sections for b in s.blocks if isinstance(b, Table) and b.caption.startswith("Efficiency")
    )
    points = [published.sql.run(q.sql).table for q in queries if q.name.startswith("efficiency of")]
    for row, found in zip(table.rows, points, strict=True):
        assert [cell.quantity.value for cell in row[3:8]] == pytest.approx(
            found.column("efficiency").to_pylist(), rel=1e-9
        )


def test_every_round_trip_can_be_redone(published, content):
    """The pairs' query gives the table's single-run figures."""
    query = next(b for b in content.sections[-1].blocks if isinstance(b, Sql) and b.name.startswith("round trip and"))
    redone = {row["out_run"]: row for row in published.sql.run(query.sql).table.to_pylist()}
    table = next(
        b for s in content.sections for b in s.blocks if isinstance(b, Table) and b.caption.startswith("Discharge")
    )
    heads = [column.head for column in table.columns]
    checked = 0
    for row in table.rows:
        if len(row[-1].runs) == 1 and row[-1].runs[0] in redone and row[heads.index("round-trip efficiency")].quantity:
            found = redone[row[-1].runs[0]]
            assert row[heads.index("round-trip efficiency")].quantity.value == pytest.approx(
                found["round_trip"], rel=1e-9
            )
            assert row[heads.index("yield")].quantity.value == pytest.approx(found["yield"], rel=1e-9)
            checked += 1
    assert checked >= 4


def test_page_and_catalogue_agree_on_verdicts(published, content):
    """The words of the page are those of the `verdicts` view, in the claims' order."""
    table = next(b for s in content.sections for b in s.blocks if isinstance(b, Table) and "claims" in b.caption)
    shown = [row[[c.head for c in table.columns].index("verdict")].text for row in table.rows]
    stored = (
        published.sql.run("SELECT verdict FROM verdicts WHERE device = 'PB-03'").table.column("verdict").to_pylist()
    )
    assert shown == stored
    assert Counter(shown)["not met"] == 3


@pytest.mark.parametrize(
    "said",
    [
        "of this sample",
        "Decision rule, fixed before the tests",
        "guard band w = U",
        "Supplied by the maker or the seller, not measured",
        "Calibration was overdue when these runs were made: T1",
        "Tests not done count neither",
        "Caution",
        "not a result",
        "no original kept",
        "two at once",
    ],
)
def test_the_page_says_what_a_laboratory_must(page, said):
    """ISO/IEC 17025:2017, 7.8.2 and 7.8.6 to 7.8.7: scope, decision rule, conditions, opinions apart."""
    assert said in Page(page).text


def test_opinions_stand_in_a_part_of_their_own(page):
    """Set apart from results, and named as opinions (17025, 7.8.7)."""
    before, _, after = page.partition('class="part opinions')
    assert "It is slim." not in before
    assert "It is slim." in after


# how it is made


def test_tags_close_and_ids_are_unique(page):
    """The page is well formed, and its figures don't share ids."""
    read = Page(page)
    assert read.wrong == []
    ids = [attrs["id"] for _, attrs in read.elements if "id" in attrs]
    assert [key for key, count in Counter(ids).items() if count > 1] == []
    targets = {attrs["href"][1:] for tag, attrs in read.elements if tag == "a"}
    assert targets <= set(ids)


def test_nothing_is_loaded_and_nothing_runs(page):
    """No script, no link, no picture from elsewhere; a policy that forbids them besides."""
    read = Page(page)
    assert read.loads() == []
    assert read.all("script") == read.all("link") == read.all("iframe") == []
    policy = next(a["content"] for a in read.all("meta") if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy
    assert "script" not in policy
    assert "@import" not in page


def test_tables_and_figures_can_be_heard(page, content):
    """Every figure has title and description, every table a caption and heads with scope."""
    read = Page(page)
    figures = [attrs for attrs in read.all("svg") if "aria-hidden" not in attrs]
    assert len(figures) == len(list(plots_of(content))) >= 4
    assert all(attrs.get("role") == "img" for attrs in figures)
    assert page.count("<desc>") == len(figures)
    assert len(read.all("caption")) == len(read.all("table"))
    assert all("scope" in attrs for attrs in read.all("th"))
    assert read.all("html")[0]["lang"] == "en"


def themes():
    """The colours of the light, dark and print themes."""
    css = resources.files("tui.render.pages").joinpath("templates", "style.css").read_text("utf-8")
    blocks = re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    return [dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", block)) for block in blocks]


@pytest.mark.parametrize("theme", range(3), ids=["light", "dark", "print"])
def test_contrast(theme):
    """Text 4.5:1, lines of plots 3:1 on their ground (WCAG 2.2, 1.4.3 and 1.4.11)."""
    colours = themes()[theme]
    for text in ("ink", "soft", "link", "caution", "met", "not-met", "close"):
        for ground in ("paper", "tint"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert contrast(colours["caution"], colours["caution-tint"]) >= 4.5
    for number in range(1, 7):
        assert contrast(colours[f"line{number}"], colours["paper"]) >= 3, number
        assert contrast(colours[f"line{number}"], colours["band"]) >= 3, number


@pytest.mark.parametrize("form", ["html", "md"])
def test_same_library_same_bytes(tmp_path, form):
    """Two runs in two folders, the library opened anew, give the same bytes; no date of today is in them."""
    library = small_library(tmp_path / "library")
    issue = issue_report(library, gather_report(library, ["PB-01"]))
    write_report(issue, tmp_path / "a", form)
    again = Library.open(library.path, who="tester")
    write_report(issue_report(again, gather_report(again, ["PB-01"])), tmp_path / "b", form)
    assert tree(tmp_path / "a") == tree(tmp_path / "b")


def test_a_library_moved_elsewhere_gives_the_same_bytes(tmp_path):
    """Nothing of the place where the library lies gets into the page."""
    library = small_library(tmp_path / "library")
    write_report(issue_report(library, gather_report(library, ["PB-01"])), tmp_path / "a")
    copy = tmp_path / "elsewhere" / "library"
    shutil.copytree(library.path, copy)
    moved = Library.open(copy, who="tester")
    write_report(issue_report(moved, gather_report(moved, ["PB-01"])), tmp_path / "c")
    assert tree(tmp_path / "a") == tree(tmp_path / "c")


def test_markdown_has_its_pictures_beside_it(tmp_path):
    """SVG to show and PNG to send, each named in the text, each with words instead."""
    library = small_library(tmp_path / "library")
    write_report(draft_of(gather_report(library, ["PB-01"])), tmp_path / "out", "md")
    text = (tmp_path / "out" / "report.md").read_text("utf-8")
    pictures = re.findall(r"!\[(.+?)\]\((figures/[a-z0-9-]+\.svg)\)", text)
    assert pictures
    for alt, path in pictures:
        assert len(alt) > 40
        assert (tmp_path / "out" / path).read_text("utf-8").startswith("<?xml")
        assert (tmp_path / "out" / path.replace(".svg", ".png")).read_bytes().startswith(b"\x89PNG")


def test_rows_of_markdown_tables_have_their_cells(content):
    """Every row has as many cells as its head."""
    lines = as_markdown(draft_of(content)).splitlines()
    widths, rows = None, 0
    for line in lines:
        cells = re.split(r"(?<!\\)\|", line)
        if line.startswith("|"):
            widths = widths or len(cells)
            assert len(cells) == widths, line
            rows += 1
        else:
            widths = None
    assert rows > 80


# hostile text

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
LINKS = (
    "[click](https://evil.example) <https://evil.example> www.evil.example a@evil.example "
    "`x` **b** | $c$ \x1b[31m\u202e"
)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A library in which every text that a person or a file can bring is hostile."""
    path = tmp_path_factory.mktemp("hostile")
    library = small_library(
        path / "library",
        device=f"PB {HOSTILE}",
        who=LINKS,
        model=HOSTILE,
        note=LINKS,
        meter=f"M {HOSTILE}",
        port=f"C1 {LINKS}",
        load=f"30 W {HOSTILE}",
        on=HOSTILE,
    )
    content = gather_report(
        library, [f"PB {HOSTILE}"], tester=HOSTILE, contact=LINKS, place=HOSTILE, opinions=[HOSTILE, LINKS]
    )
    issue_report(library, content)
    return issue_report(library, gather_report(library, [f"PB {HOSTILE}"], tester=LINKS), reason=HOSTILE + LINKS)


def test_hostile_text_brings_no_markup_into_the_page(hostile, tmp_path):
    """It is there to read, as text; no element, no attribute, no link comes of it."""
    write_report(hostile, tmp_path / "out")
    text = (tmp_path / "out" / "report.html").read_text("utf-8")
    read = Page(text)
    assert read.wrong == []
    assert read.loads() == []
    assert read.all("script") == read.all("img") == []
    assert all(attrs["href"].startswith("#s") for attrs in read.all("a"))
    assert "<script>alert(1)</script>" in read.text
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_hostile_text_brings_no_markup_into_markdown(hostile, tmp_path):
    """Rendered by a GFM reader with links that make themselves, only our own pictures and links are left."""
    from markdown_it import MarkdownIt

    files = write_report(hostile, tmp_path / "out", "md")
    assert all(re.fullmatch(r"[a-z0-9.-]+", path.name) for path in files)
    html = MarkdownIt("gfm-like", {"html": True}).render((tmp_path / "out" / "report.md").read_text("utf-8"))
    read = Page(html)
    assert read.all("script") == []
    assert all(attrs["src"].startswith("figures/") for attrs in read.all("img"))
    assert all(attrs["href"].startswith("figures/") for attrs in read.all("a"))
    assert not any("onerror" in attrs for _, attrs in read.elements)


@pytest.mark.parametrize(
    "text", ["a|b", "<b>", "[x](y)", "*a*", "_a_", "`a`", "# a", "1. a", "- a", "a ~~b~~", "$x$", "&amp;"]
)
def test_escaped_text_reads_as_it_was(text):
    """A GFM reader gives back the same characters."""
    from markdown_it import MarkdownIt

    html = MarkdownIt("gfm-like").render(f"| h |\n| --- |\n| {escaped(text)} |\n")
    assert Page(html).text.split("h", 1)[1].strip() == text


# versions


def test_a_report_keeps_its_version_until_it_says_otherwise(tmp_path):
    """The same content is the same version; a change needs a reason, names what changed, and keeps the old one."""
    library = small_library(tmp_path / "library")
    first = issue_report(library, gather_report(library, ["PB-01"]))
    assert (first.version, first.replaces) == (1, None)
    assert issue_report(library, gather_report(library, ["PB-01"])).issued_at == first.issued_at

    library.runs.edit([1], {"quality": "rejected"}, reason="cable came loose")
    changed = gather_report(library, ["PB-01"])
    with pytest.raises(ReasonWanted, match="--reason") as wanted:
        issue_report(library, changed)
    assert any("verdict was" in text and "is not tested" in text for text in wanted.value.changes)
    second = issue_report(library, changed, reason="one run set aside")
    assert (second.report, second.version, second.replaces) == (first.report, 2, 1)
    assert second.reason == "one run set aside"
    assert second.changes == wanted.value.changes
    assert load_issue(library, first.report, 1).content == first.content

    table = library.sql.run("SELECT report, version, replaces, reason, run_ids FROM reports").table.to_pylist()
    assert [(row["version"], row["replaces"], row["reason"]) for row in table] == [
        (1, None, ""),
        (2, 1, "one run set aside"),
    ]
    assert table[0]["run_ids"] == [1]


def test_the_new_version_says_so_and_the_old_one_can_be_written_again(tmp_path):
    """What changed, why, and the page it replaces, byte for byte."""
    library = small_library(tmp_path / "library")
    first = issue_report(library, gather_report(library, ["PB-01"]))
    write_report(first, tmp_path / "then")
    second = issue_report(library, gather_report(library, ["PB-01"], place="Bench 2"), reason="place was missing")
    write_report(second, tmp_path / "new")
    text = Page((tmp_path / "new" / "report.html").read_text("utf-8")).text
    assert "This version replaces version 1." in text
    assert "place was missing" in text
    assert "The place was not stated, is Bench 2." in text
    write_report(load_issue(library, first.report, 1), tmp_path / "now")
    assert tree(tmp_path / "then") == tree(tmp_path / "now")


def test_another_library_gives_another_id(tmp_path):
    """An id names one library's report on one set of devices."""
    ids = set()
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        library = small_library(tmp_path / name / "library")
        ids.add(issue_report(library, gather_report(library, ["PB-01"])).report)
    assert len(ids) == 2


def test_a_report_that_was_never_issued_is_named(tmp_path):
    """With those that were."""
    library = small_library(tmp_path / "library")
    issue_report(library, gather_report(library, ["PB-01"]))
    with pytest.raises(NotFound, match="R-"):
        load_issue(library, "R-0000000000")


# what is refused


def test_a_damaged_trace_is_refused_and_named(tmp_path):
    """A report with an unverifiable trace is not made."""
    library = small_library(tmp_path / "library", with_recharge=True)
    path = library.path / library.runs.get(2).provenance.trace_file
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 4
    path.chmod(0o644)
    path.write_bytes(content)
    with pytest.raises(TraceDamaged, match=r"traces/runs/.*runs 2 can't be published"):
        gather_report(library, ["PB-01"])
    with pytest.raises(TraceDamaged):
        plot_runs(library, [2], ["power_w"])


def test_a_folder_in_use_is_left_alone(tmp_path, content):
    """Asked for, or refused; what is there stays."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.html").write_text("mine")
    with pytest.raises(FolderInUse, match=r"report\.html"):
        write_report(draft_of(content), tmp_path / "out")
    assert tree(tmp_path / "out") == {"report.html": b"mine"}


def test_nothing_to_report_is_said(tmp_path):
    """No device, no run, no such language, no such format."""
    library = small_library(tmp_path / "library")
    library.devices.save(DeviceSheet("PB-09", "power bank"))
    with pytest.raises(NotFound, match="PB-01"):
        gather_report(library, ["PB-1"])
    with pytest.raises(NotPublished, match="PB-09: no run"):
        gather_report(library, ["PB-09"])
    with pytest.raises(NotPublished, match="English only"):
        gather_report(library, ["PB-01"], lang="xx")
    with pytest.raises(NotPublished, match="html, md"):
        write_report(draft_of(gather_report(library, ["PB-01"])), tmp_path / "out", "doc")


def test_a_missing_extra_is_named_with_its_command(tmp_path, monkeypatch, content):
    """Without matplotlib: one sentence, nothing written."""
    from importlib.util import find_spec

    monkeypatch.setattr(
        "tui.render.pages.writing.find_spec", lambda name: None if name == "matplotlib" else find_spec(name)
    )
    with pytest.raises(NotPublished, match=r"joulebook\[report\]"):
        write_report(draft_of(content), tmp_path / "out")
    assert not (tmp_path / "out").exists()
