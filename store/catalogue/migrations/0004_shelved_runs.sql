-- Runs that stand back because others hold their samples now: parts of a joined log, or a log that was parted. All that
-- the catalogue knew of each is kept, so that joining and parting can be taken back exactly.
CREATE TABLE catalogue.shelved_run (
    run_id BIGINT NOT NULL, uid VARCHAR NOT NULL, how VARCHAR NOT NULL, into_uids VARCHAR[] NOT NULL,
    offset_s DOUBLE NOT NULL, first_row BIGINT NOT NULL, samples BIGINT NOT NULL,
    source_sha256 VARCHAR NOT NULL, source_file VARCHAR NOT NULL, part VARCHAR NOT NULL, kept VARCHAR NOT NULL
);
