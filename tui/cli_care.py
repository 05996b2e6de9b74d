"""`joulebook verify`, `pack`, `rebuild`, `backup`, `restore`, `files` and `check`: care of the library."""

from __future__ import annotations

from tui.cli_base import examples

__all__ = ["register"]

_VERIFY_HELP = examples(
    "Check every hash, row count and catalogue row against the files; say what is wrong and store nothing.",
    "joulebook verify",
    "joulebook verify --quick                  files there and of the right size, hashes left out",
    "joulebook verify --repair                 sweep what a broken import left behind",
)
_PACK_HELP = examples(
    "Merge loose trace files into packs, so that questions over all samples stay quick.", "joulebook pack"
)
_REBUILD_HELP = examples(
    "Make a lost or damaged catalogue again from the traces and originals. The old one is kept beside it.",
    "joulebook rebuild",
)
_BACKUP_HELP = examples(
    "Write the whole library into one file; works while it is in use.", "joulebook backup library.tar"
)
_RESTORE_HELP = examples(
    "Bring a backup back into a folder that does not exist yet.",
    "joulebook restore library.tar --to restored",
    "joulebook --library restored runs",
)
_FILES_HELP = examples(
    "List the trace files that hold the library's runs, for other programs that read Parquet.",
    "joulebook files",
    "joulebook files --json",
)
