-- What was published: frozen content, never changed once written; a later version stands beside it.
CREATE TABLE catalogue.report (
    report VARCHAR NOT NULL, version INTEGER NOT NULL, devices VARCHAR[] NOT NULL, lang VARCHAR NOT NULL,
    title VARCHAR NOT NULL, issued_at TIMESTAMP NOT NULL, issued_by VARCHAR NOT NULL, program_version VARCHAR NOT NULL,
    replaces INTEGER, reason VARCHAR NOT NULL, changes VARCHAR NOT NULL, chain VARCHAR NOT NULL,
    content_sha256 VARCHAR NOT NULL, run_ids BIGINT[] NOT NULL, content BLOB NOT NULL
);
-- Rating schemes as they were applied; a scheme's text never changes within one version.
CREATE TABLE catalogue.rating_scheme (
    scheme VARCHAR NOT NULL, version INTEGER NOT NULL, text VARCHAR NOT NULL, sha256 VARCHAR NOT NULL,
    saved_at TIMESTAMP NOT NULL, saved_by VARCHAR NOT NULL, program_version VARCHAR NOT NULL, reason VARCHAR NOT NULL
);
