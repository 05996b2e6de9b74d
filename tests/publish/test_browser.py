"""The page in a real browser, without a head: three widths and print, nothing fetched, nothing complained of."""

import json
import shutil
import struct
import subprocess

import pytest

BROWSER = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
pytestmark = [pytest.mark.long, pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")]


def look(tmp_path, page, *options):
    """Open the page; what the browser said, and every address that it asked for."""
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    log = tmp_path / "net.json"
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--enable-logging=stderr",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        f"--user-data-dir={tmp_path / 'profile'}",
        f"--log-net-log={log}",
        *options,
        file.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    events = json.loads(log.read_text("utf-8"))["events"]
    # The browser's own errands have no page as their initiator.
    asked = {
        event["params"]["url"]
        for event in events
        if event.get("params", {}).get("initiator", "not an origin") != "not an origin"
    }
    return done.stderr, {url for url in asked if url.startswith(("http", "ws", "ftp"))}


def test_a_page_that_fetches_something_is_caught(tmp_path):
    """The test of silence can fail: a picture from elsewhere is seen."""
    picture = tmp_path / "page.png"
    _, asked = look(tmp_path, '<img src="http://elsewhere.invalid/x.png">', f"--screenshot={picture}")
    assert asked == {"http://elsewhere.invalid/x.png"}


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_it_opens_at_every_width_in_silence(tmp_path, page, width):
    """A picture of that width, no console message, no request but for the file."""
    picture = tmp_path / "page.png"
    said, asked = look(tmp_path, page, f"--window-size={width},2400", f"--screenshot={picture}", "--hide-scrollbars")
    assert struct.unpack(">II", picture.read_bytes()[16:24]) == (width, 2400)
    assert picture.stat().st_size > 50_000
    assert "CONSOLE" not in said
    assert asked == set()


def test_it_prints_on_a4(tmp_path, page):
    """Pages of 210 by 297 mm."""
    target = tmp_path / "page.pdf"
    said, asked = look(tmp_path, page, f"--print-to-pdf={target}", "--no-pdf-header-footer")
    content = target.read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/MediaBox [0 0 594.95" in content or b"/MediaBox [0 0 595" in content
    assert "CONSOLE" not in said
    assert asked == set()
