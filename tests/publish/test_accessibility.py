"""Published pages by axe-core, the accessibility rules of WCAG 2.2 A and AA, in a real browser, light and dark.

axe-core comes from the npm registry by npm itself; the page's own policy forbids any script, so the copy that is looked
at has the policy taken out and the rules put in.
"""

import html
import json
import re
import shutil
import subprocess

import pytest

from store import Library
from store.choose.rating import answer_text
from store.documents.choice import choice_document
from store.publish import draft_of, gather_report
from store.publish.content import plots_of
from tui.render.pages.figures import draw_svg
from tui.render.pages.html import as_html, document_as_html

BROWSER = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine"),
    pytest.mark.skipif(shutil.which("npm") is None, reason="no npm on this machine, so no axe-core"),
]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def axe(tmp_path_factory):
    """The rules' source."""
    folder = tmp_path_factory.mktemp("npm")
    command = ["npm", "install", "--no-audit", "--no-fund", "--silent", "--prefix", str(folder), "axe-core@4"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    source = folder / "node_modules" / "axe-core" / "axe.min.js"
    if done.returncode or not source.exists():
        pytest.skip(f"axe-core could not be installed: {done.stderr.strip()[:200]}")
    return source.read_text("utf-8")


def violations(tmp_path, axe, page, *options):
    """Every rule that is broken, with the elements."""
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
    run = (
        f"axe.run(document, {{runOnly: {json.dumps(RULES)}}}).then(found => {{"
        "const told = document.createElement('pre'); told.id = 'axe-told';"
        "told.textContent = JSON.stringify({passes: found.passes.length, violations: found.violations.map(v => "
        "[v.id, v.nodes.slice(0, 3).map(n => n.html.slice(0, 160))])}); document.body.appendChild(told); });"
    )
    file = tmp_path / "page.html"
    file.write_text(text.replace("</body>", f"<script>{axe}</script><script>{run}</script></body>"), encoding="utf-8")
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--virtual-time-budget=60000",
        f"--user-data-dir={tmp_path / 'profile'}",
        *options,
        "--dump-dom",
        file.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    told = re.search(r'<pre id="axe-told">(.*?)</pre>', done.stdout, re.DOTALL)
    assert told, "axe-core did not finish"
    found = json.loads(html.unescape(told[1]))
    assert found["passes"] >= 10
    return found["violations"]


@pytest.fixture(scope="module")
def pages(demo_library):
    """One good, one bad, one compared, one chosen."""
    library = Library.open(demo_library)
    made = {}
    for key in ("PB-02", "PB-03", "CB-02", "PB-02 PB-03 PB-07"):
        content = gather_report(library, key.split(), opinions=["It is slim."])
        made[key] = as_html(draft_of(content), {plot.id: draw_svg(plot) for plot in plots_of(content)})
    need = 'title = "a day out"\nusable_wh = 40\nhold_w = 30\nmass_g = 450\nclaims = "note"\n'
    made["choice"] = document_as_html(choice_document(answer_text(library, need)), {})
    return made


def test_a_page_that_breaks_a_rule_is_caught(tmp_path, axe, pages):
    """The test of silence can fail: text of too little contrast, a picture without words."""
    page = pages["choice"].replace("<main>", '<main><img src="data:,x"><p style="color:#ccc;background:#fff">pale</p>')
    assert {"image-alt", "color-contrast"} <= {rule for rule, _ in violations(tmp_path, axe, page)}


@pytest.mark.parametrize("key", ["PB-02", "PB-03", "CB-02", "PB-02 PB-03 PB-07", "choice"])
@pytest.mark.parametrize("look", ["wide", "phone", "dark"])
def test_no_rule_is_broken(tmp_path, axe, pages, key, look):
    """Light at 1100 and at 500 px, the narrowest of this browser, and dark."""
    options = {"wide": ["--window-size=1100,1600"], "phone": ["--window-size=500,1600"], "dark": ["--force-dark-mode"]}
    page = pages[key]
    if look == "dark":
        page = page.replace("(prefers-color-scheme: dark)", "(min-width: 1px)")
    assert violations(tmp_path, axe, page, *options[look]) == []
