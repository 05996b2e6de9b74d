"""From the bytes of a meter's export to channels in SI units. Knows files and quantities: no store, no screen.

The parts are loaded when one of these names is first used: the library needs the words of `importers.schema` only.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from importers.errors import ImportProblem, ImportRefused, ProfileInvalid
    from importers.importing import ProfileCheck, check_profiles, read
    from importers.inspecting import inspect
    from importers.inspection import Inspection
    from importers.plan import Choice, Question
    from importers.profile import Profile, load_profiles, shipped_profiles
    from importers.schema import ImportedExport, ImportedRun, Problem
    from importers.words import Vocabulary, load_vocabulary

__all__ = [
    "Choice",
    "ImportProblem",
    "ImportRefused",
    "ImportedExport",
    "ImportedRun",
    "Inspection",
    "Problem",
    "Profile",
    "ProfileCheck",
    "ProfileInvalid",
    "Question",
    "Vocabulary",
    "check_profiles",
    "inspect",
    "load_profiles",
    "load_vocabulary",
    "read",
    "shipped_profiles",
]

_HOMES = {
    "Choice": "importers.plan",
    "ImportProblem": "importers.errors",
    "ImportRefused": "importers.errors",
    "ImportedExport": "importers.schema",
    "ImportedRun": "importers.schema",
    "Inspection": "importers.inspection",
    "Problem": "importers.schema",
    "Profile": "importers.profile",
    "ProfileCheck": "importers.importing",
    "ProfileInvalid": "importers.errors",
    "Question": "importers.plan",
    "Vocabulary": "importers.words",
    "check_profiles": "importers.importing",
    "inspect": "importers.inspecting",
    "load_profiles": "importers.profile",
    "load_vocabulary": "importers.words",
    "read": "importers.importing",
    "shipped_profiles": "importers.profile",
}


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
