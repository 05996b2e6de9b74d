"""Pages as documents: one function each, from finished records to a `Document`; every renderer then has the page."""
