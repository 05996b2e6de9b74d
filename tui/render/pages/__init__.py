"""A report's content as a page to read: HTML in one file, or Markdown with pictures beside it.

Loaded only where something is published; plots need the extra `joulebook[report]`.
"""

from tui.render.pages.issuing import Published, publish
from tui.render.pages.writing import ExtraMissing, write_document, write_picture, write_report

__all__ = ["ExtraMissing", "Published", "publish", "write_document", "write_picture", "write_report"]
