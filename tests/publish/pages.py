"""Reading pages back, for tests: tags that close, what is loaded, contrast."""

import re
from html.parser import HTMLParser

VOID = {"meta", "br", "img", "link", "hr", "input"}


class Page(HTMLParser):
    """Every element with its attributes, and what is wrong with their nesting."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.wrong, self.elements, self.words = [], [], [], []
        self.feed(text)
        self.close()
        self.wrong += [f"<{tag}> never closed" for tag in self.open]

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.wrong.append(f"</{tag}> where {self.open[-1:]} is open")
        else:
            self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]

    def loads(self):
        """Everything that an attribute or a style would load from elsewhere."""
        found = []
        for tag, attrs in self.elements:
            for name, value in attrs.items():
                if name in ("src", "srcset", "data", "action", "poster", "background") and value is not None:
                    found.append((tag, name, value))
                if name in ("href", "xlink:href") and not (value or "").startswith("#"):
                    found.append((tag, name, value))
                if name.startswith("on"):
                    found.append((tag, name, value))
                inner = [text.strip("'\" ") for text in re.findall(r"url\(([^)]*)\)", value or "")]
                found += [(tag, name, text) for text in inner if not text.startswith("#")]
        return found


def luminance(colour):
    """Relative luminance of `#rrggbb` [WCAG 2.2, definition of relative luminance]."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first, second):
    """Contrast ratio of two colours [WCAG 2.2, definition of contrast ratio]."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)
