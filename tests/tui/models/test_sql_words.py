"""Words of a question in SQL: how a begun one may go on."""

from tui.state.sql_words import completions

VIEWS = {"runs": ("device", "energy_out_wh"), "devices": ("device", "mass_g")}


def test_a_begun_column_goes_on_with_those_of_the_views_named_first():
    """`dev` is a column before it is a view."""
    assert completions("dev", VIEWS, used=["runs"])[:2] == ["device", "devices"]


def test_a_whole_word_of_sql_is_not_offered_to_become_another():
    """After `order by 2 desc` Tab must not make DESCRIBE of it."""
    assert "DESCRIBE" not in completions("desc", VIEWS)
    assert "DESCRIBE" in completions("descr", VIEWS)


def test_columns_after_a_view_and_a_dot():
    """Only that view's."""
    assert completions("devices.m", VIEWS) == ["devices.mass_g"]
