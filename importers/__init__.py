"""From the bytes of a meter's export to channels in SI units. Knows files and quantities: no store, no screen.

The parts are loaded when one of these names is first used: the library needs the words of `importers.schema` only.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from importers.decide.plan import Choice, Question
    from importers.problems import ImportProblem, ImportRefused, ProfileInvalid
    from importers.profiles.profile import Profile, load_profiles, shipped_profiles
    from importers.reading.importing import ProfileCheck, check_profiles, read
    from importers.reading.inspecting import inspect
    from importers.reading.inspection import Inspection
    from importers.schema import ImportedExport, ImportedRun, Problem
    from importers.vocabulary.words import Vocabulary, load_vocabulary

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
    "Choice": "importers.decide.plan",
    "ImportProblem": "importers.problems",
    "ImportRefused": "importers.problems",
    "ImportedExport": "importers.schema",
    "ImportedRun": "importers.schema",
    "Inspection": "importers.reading.inspection",
    "Problem": "importers.schema",
    "Profile": "importers.profiles.profile",
    "ProfileCheck": "importers.reading.importing",
    "ProfileInvalid": "importers.problems",
    "Question": "importers.decide.plan",
    "Vocabulary": "importers.vocabulary.words",
    "check_profiles": "importers.reading.importing",
    "inspect": "importers.reading.inspecting",
    "load_profiles": "importers.profiles.profile",
    "load_vocabulary": "importers.vocabulary.words",
    "read": "importers.reading.importing",
    "shipped_profiles": "importers.profiles.profile",
}


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
