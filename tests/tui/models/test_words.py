"""Names of results in plain words."""

from __future__ import annotations

import pytest

from tui.state.words import result_words


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("energy_wh", "energy"),
        ("voltage_min_v", "minimum voltage"),
        ("drop_3a_v", "drop at 3 A"),
        ("level_01_voltage_v", "level 1 voltage"),
        ("level_12_error_percent", "level 12 error"),
        ("temperature_ambient_final_c", "ambient temperature at the end"),
        ("temperature_2_max_c", "maximum second temperature"),
        ("temperature_cell_max_c", "maximum cell temperature"),
        ("counter_energy_wh", "meter's own energy"),
        ("time_to_full_s", "time to full"),
        ("dropouts", "dropouts"),
    ],
)
def test_a_result_is_called_as_people_call_it(name: str, words: str):
    assert result_words(name) == words
