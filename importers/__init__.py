"""From the bytes of a meter's export to channels in SI units. Knows files and quantities: no store, no screen."""

from importers.errors import ImportProblem, ImportRefused, ProfileInvalid
from importers.importing import ProfileCheck, check_profiles, read
from importers.inspection import Inspection, inspect
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
