"""SQL that people write: the views, and one reading statement over them."""
