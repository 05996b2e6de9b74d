"""Pictures for articles and videos: what they say, their sizes, their letters, and what is never drawn."""

import random
import re
import struct
import xml.etree.ElementTree as ET
from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from store import Library, NotFound
from store.model.document import Panel, Plot, Series
from store.publish import NotPublished
from store.publish.pictures import Picture, names_of, picture_of_comparison, picture_of_device, picture_of_runs
from tests.publish.pages import contrast
from tests.publish.test_report import small_library, themes
from tui.render.pages import write_picture
from tui.render.pages.axes import DARK, LIGHT
from tui.render.pages.pictures import SIZES, Ground, Shape, missing_letters, picture_png, picture_svg
from tui.render.pages.writing import FileThere

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def demo(demo_library):
    return Library.open(demo_library)


@pytest.fixture(scope="module")
def pictures(demo):
    """A run, an overlay, a device, a comparison."""
    return {
        "run": picture_of_runs(demo, [32], ["power_w", "temperature_c"]),
        "overlay": picture_of_runs(demo, [32, 47, 85], ["power_w"]),
        "device": picture_of_device(demo, "PB-03"),
        "comparison": picture_of_comparison(demo, ["PB-02", "PB-03", "PB-07"]),
    }


def test_titles_say_what_is_seen(pictures, demo):
    """A figure of the library stands in each, the model's name instead of its code, the code in the last line."""
    held = demo.results.measured([32])[32]["held_s"].value
    assert f"holds 60 W for {held / 60:.0f} min, then cuts back" in pictures["run"].plot.title
    shares = [100 * r / 61.6 for r in (44.65, 47.30)]
    assert f"delivers {shares[0]:.0f} to {shares[1]:.0f} % of its rated 61.6 Wh" in pictures["device"].plot.title
    for picture in pictures.values():
        assert not re.search(r"\b[A-Z]{2}-\d\d\b", picture.plot.title)
        assert "M slim" in picture.plot.title or "M plain" in picture.plot.title
        assert "PB-03" in picture.source
        assert re.search(r"tested \d{4}-\d\d-\d\d", picture.source)


def test_a_comparison_is_titled_by_who_is_surely_best(demo, pictures):
    """The best alone where one is; never a best where uncertainty allows none."""
    page = demo.devices.compare(["PB-02", "PB-03", "PB-07"])
    row = next(r for r in page.rows if r.name == "energy_out_wh")
    assert len(row.best) == 1
    name = names_of(page.devices)[page.devices[row.best[0]].device]
    assert pictures["comparison"].plot.title.startswith(f"{name} has the highest delivered energy")
    values = pictures["comparison"].plot.panels[0].series[0].y
    assert list(values) == sorted(values, reverse=True)
    for row in page.rows:
        if row.better and not row.best and not row.unlike and all(f.value is not None for f in row.figures):
            drawn = picture_of_comparison(demo, ["PB-02", "PB-03", "PB-07"], row.name)
            assert "no difference is shown" in drawn.plot.title


@pytest.mark.parametrize("name", ["run", "overlay", "device", "comparison"])
@pytest.mark.parametrize("shape", list(Shape))
def test_pixels_and_type(pictures, name, shape):
    """Exactly as many pixels as said; every size of type is 28 px of 1080 or more; both grounds are what they say."""
    picture = pictures[name]
    png = picture_png(picture, shape, Ground.LIGHT)
    assert struct.unpack(">II", png[16:24]) == SIZES[shape]
    dark = Image.open(BytesIO(picture_png(picture, shape, Ground.DARK)))
    assert dark.convert("RGB").getpixel((2, 2)) == tuple(int(DARK.paper[i : i + 2], 16) for i in (1, 3, 5))
    assert Image.open(BytesIO(png)).info["Description"] == picture.plot.alt
    from tui.render.pages.pictures import _TYPE

    assert min(_TYPE[shape]) >= 28


@pytest.mark.parametrize("name", ["run", "overlay", "device", "comparison"])
def test_letters_are_outlines_and_nothing_leaves_the_picture(pictures, name):
    """No text element, no font, no address; the words stand in title and description; nothing touches the edge."""
    text = picture_svg(pictures[name], Shape.SQUARE, Ground.LIGHT)
    root = ET.fromstring(text)
    assert not root.findall(f".//{SVG}text")
    assert "font-family" not in text
    addresses = [a for a in re.findall(r'href="([^"]+)"', text) if not a.startswith("#")]
    assert addresses == []
    assert root.find(f"{SVG}title").text == pictures[name].plot.title
    assert root.find(f"{SVG}desc").text == pictures[name].plot.alt
    for shape in Shape:
        image = np.asarray(Image.open(BytesIO(picture_png(pictures[name], shape, Ground.LIGHT))).convert("L"))
        edge = np.concatenate([image[:8].ravel(), image[-8:].ravel(), image[:, :8].ravel(), image[:, -8:].ravel()])
        assert edge.min() == 255, "something is drawn to the picture's edge"


def test_alt_text_has_values(pictures):
    """What a reader who can't see it wants: numbers with units."""
    for picture in pictures.values():
        assert len(re.findall(r"\d+(?:\.\d+)? ?(?:W|Wh|°C|min)\b", picture.plot.alt)) >= 3


def a_picture(panel, title="a title", identity="x"):
    return Picture(Plot(identity, title, f"{title}. alt", (panel,)), "", "PB-01")


def test_an_axis_that_does_not_begin_at_zero_is_marked():
    """Marks on an axis if, and only if, zero is off it; invented data."""
    seed = random.SystemRandom().randrange(10**6)
    print("seed", seed)
    draw = random.Random(seed)
    for low, cuts in ((0.0, 0), (draw.uniform(30, 90), 2)):
        x = tuple(float(i) for i in range(20))
        y = tuple(low + draw.uniform(0, 1) * (low or 1) / 10 for _ in x)
        panel = Panel("v / V", (Series("a", x, (0.0, *y[1:]) if not low else y),), x_label="t / min")
        svg = picture_svg(a_picture(panel), Shape.WIDE, Ground.LIGHT)
        assert svg.count('class="cut"') == cuts
    panel = Panel("v / V", (Series("a", (50.0, 60.0), (5.0, 5.1), manner="points"),), x_label="load / W")
    assert picture_svg(a_picture(panel), Shape.WIDE, Ground.LIGHT).count('class="cut"') == 4
    bars = Panel("v / V", (Series("a", (0, 1), (50.0, 51.0), manner="bars"),), x_words=("a", "b"), values=("", ""))
    assert 'class="cut"' not in picture_svg(a_picture(bars), Shape.WIDE, Ground.LIGHT)


def test_points_that_coincide_are_told_apart():
    """Each colour of points on one place is seen; points that stand apart are not moved."""
    seed = random.SystemRandom().randrange(10**6)
    print("seed", seed)
    draw = random.Random(seed)
    for count in (2, 3, 4):
        at = draw.uniform(20, 80), draw.uniform(20, 80)
        series = tuple(
            Series(f"s{k}", (0.0, at[0], 100.0), (0.0, at[1], 100.0), style=k, manner="points") for k in range(count)
        )
        image = picture_png(a_picture(Panel("y", series, x_label="x")), Shape.WIDE, Ground.LIGHT)
        pixels = np.asarray(Image.open(BytesIO(image)).convert("RGB")).reshape(-1, 3)
        legend = picture_png(
            a_picture(
                Panel("y", tuple(Series(s.label, (), (), style=s.style, manner="points") for s in series), x_label="x")
            ),
            Shape.WIDE,
            Ground.LIGHT,
        )
        alone = np.asarray(Image.open(BytesIO(legend)).convert("RGB")).reshape(-1, 3)
        for k in range(count):
            colour = [int(LIGHT.lines[k][i : i + 2], 16) for i in (1, 3, 5)]
            seen = int((pixels == colour).all(axis=1).sum()) - int((alone == colour).all(axis=1).sum())
            assert seen > 3 * 0.55 * 14 * 14, f"{LIGHT.lines[k]} is hidden"


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_colours_are_told_from_the_ground(palette):
    """WCAG 2.2, 1.4.3 (text 4.5:1) and 1.4.11 (lines 3:1); the page's style has the same colours."""
    assert contrast(palette.ink, palette.paper) >= 4.5
    assert contrast(palette.soft, palette.paper) >= 4.5
    for colour in palette.lines:
        assert contrast(colour, palette.paper) >= 3
        assert contrast(colour, palette.band) >= 3
    of_style = themes()[0 if palette is LIGHT else 1]
    for name in ("ink", "soft", "grid", "band", "paper"):
        assert of_style[name] == getattr(palette, name)
    assert tuple(of_style[f"line{k}"] for k in range(1, 7)) == palette.lines


def test_names_with_markup_and_of_any_length_stay_text(tmp_path):
    """Nothing of a name becomes markup; one that is too long for a line is wrapped or ends in an ellipsis."""
    hostile = "<script>alert(1)</script> $x^2$ \x1b[31m & " + "M" * 300
    series = (Series(hostile, (0.0, 1.0), (0.0, 1.0)), Series("b", (0.0, 1.0), (1.0, 0.0), style=1))
    panel = Panel(hostile, series, x_label=hostile)
    text = picture_svg(a_picture(panel, title=hostile), Shape.WIDE, Ground.LIGHT)
    assert not [e for e in ET.fromstring(text).iter() if e.tag.endswith("script")]
    image = Image.open(BytesIO(picture_png(a_picture(panel, title=hostile), Shape.SQUARE, Ground.DARK)))
    assert image.size == SIZES[Shape.SQUARE]
    assert missing_letters("a ± \u4f60") == "\u4f60"


def test_files_by_their_ending(tmp_path, pictures):
    """One file by its ending; without one, eight; what is there is refused; the same bytes every time."""
    picture = pictures["device"]
    (one,) = write_picture(picture, tmp_path / "a.PNG", "square", "dark")
    assert one.read_bytes() == picture_png(picture, Shape.SQUARE, Ground.DARK)
    eight = write_picture(picture, tmp_path / "deep" / "held")
    assert len({path.read_bytes() for path in eight}) == 8
    assert {path.suffix for path in eight} == {".svg", ".png"}
    with pytest.raises(FileThere, match="exists"):
        write_picture(picture, tmp_path / "a.PNG")
    with pytest.raises(NotPublished, match="neither"):
        write_picture(picture, tmp_path / "a.gif")
    with pytest.raises(NotPublished, match="Known: wide, square"):
        write_picture(picture, tmp_path / "b.png", "tall")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.PNG", "deep"]


def test_a_picture_ignores_a_persons_own_settings(pictures):
    """Colours and fonts of a personal matplotlib configuration don't change the bytes."""
    import matplotlib as mpl

    before = picture_svg(pictures["run"], Shape.WIDE, Ground.LIGHT)
    with mpl.rc_context({"lines.linewidth": 9.0, "axes.facecolor": "red", "font.size": 30.0}):
        assert picture_svg(pictures["run"], Shape.WIDE, Ground.LIGHT) == before


def test_what_cannot_be_drawn_is_refused(tmp_path, demo):
    """Runs without the channel, too many, a device without discharges, a quantity that is not compared."""
    library = small_library(tmp_path / "library")
    for channels, word in ((["power_ww"], "power_w"), (["frequency_hz"], "None of these runs has")):
        with pytest.raises((NotPublished, NotFound), match=word):
            picture_of_runs(library, [1], channels)
    with pytest.raises(NotPublished, match="too many"):
        picture_of_runs(demo, list(range(1, 9)), ["power_w"])
    with pytest.raises(NotPublished, match="no discharge at room temperature"):
        picture_of_device(demo, "AD-01")
    with pytest.raises(NotFound, match="No result nonsense"):
        picture_of_comparison(demo, ["PB-02", "PB-03"], "nonsense")
    with pytest.raises(NotPublished, match="not measured alike"):
        picture_of_comparison(demo, ["PB-02", "PB-03"], "no_load_w")
    with pytest.raises(NotPublished, match="too many"):
        picture_of_comparison(demo, [f"PB-{n}" for n in range(20)])


def test_two_samples_of_one_name_keep_their_codes(demo):
    """Who is who is never left open."""
    names = names_of([demo.devices.get("PB-05"), demo.devices.get("PB-06"), demo.devices.get("PB-01")])
    assert "PB-05" in names["PB-05"]
    assert "PB-06" in names["PB-06"]
    assert "PB-01" not in names["PB-01"]
