CREATE TABLE catalogue.meta (key VARCHAR NOT NULL, value VARCHAR NOT NULL);
CREATE TABLE catalogue.schema_history (version INTEGER NOT NULL, applied_at TIMESTAMP NOT NULL, program_version VARCHAR NOT NULL);
CREATE TABLE catalogue.original (
    sha256 VARCHAR NOT NULL, file_name VARCHAR NOT NULL, bytes BIGINT NOT NULL,
    stored_as VARCHAR, stored_sha256 VARCHAR, stored_bytes BIGINT,
    imported_at TIMESTAMP NOT NULL, imported_by VARCHAR NOT NULL, program_version VARCHAR NOT NULL,
    profile VARCHAR NOT NULL, profile_text VARCHAR NOT NULL, account VARCHAR NOT NULL, problems VARCHAR NOT NULL
);
CREATE TABLE catalogue.trace_file (
    trace_id BIGINT NOT NULL, file VARCHAR NOT NULL, is_pack BOOLEAN NOT NULL,
    sha256 VARCHAR NOT NULL, bytes BIGINT NOT NULL, samples BIGINT NOT NULL
);
CREATE TABLE catalogue.run (
    run_id BIGINT NOT NULL, uid VARCHAR NOT NULL,
    device VARCHAR, port VARCHAR, mode VARCHAR, kind VARCHAR, direction VARCHAR, load_set VARCHAR,
    ambient_c DOUBLE, started_at TIMESTAMP, meter VARCHAR,
    group_id BIGINT, group_offset_s DOUBLE, group_offset_uncertainty_s DOUBLE, group_method VARCHAR,
    quality VARCHAR NOT NULL, quality_reason VARCHAR NOT NULL, note VARCHAR NOT NULL,
    measured_at VARCHAR, cable_mohm DOUBLE,
    samples BIGINT NOT NULL, duration_s DOUBLE NOT NULL, interval_s DOUBLE, channels VARCHAR NOT NULL,
    source_file VARCHAR NOT NULL, source_sha256 VARCHAR NOT NULL, source_bytes BIGINT NOT NULL, part VARCHAR NOT NULL,
    imported_at TIMESTAMP NOT NULL, imported_by VARCHAR NOT NULL, program_version VARCHAR NOT NULL,
    profile VARCHAR NOT NULL, profile_text VARCHAR NOT NULL,
    conversions VARCHAR NOT NULL, clock VARCHAR NOT NULL, sign_turned BOOLEAN NOT NULL,
    account VARCHAR NOT NULL, warnings VARCHAR NOT NULL, warning_count INTEGER NOT NULL,
    amendment_count INTEGER NOT NULL,
    trace_id BIGINT NOT NULL, first_row BIGINT NOT NULL,
    energy_wh DOUBLE, energy_uncertainty_wh DOUBLE, charge_ah DOUBLE, charge_uncertainty_ah DOUBLE,
    energy_out_wh DOUBLE, energy_in_wh DOUBLE, charge_out_ah DOUBLE, charge_in_ah DOUBLE,
    power_mean_w DOUBLE, power_max_w DOUBLE, power_plateau_w DOUBLE,
    voltage_mean_v DOUBLE, voltage_min_v DOUBLE, voltage_max_v DOUBLE,
    current_mean_a DOUBLE, current_max_a DOUBLE, temperature_max_c DOUBLE, rise_k DOUBLE,
    runtime_s DOUBLE, held_s DOUBLE, gap_s DOUBLE, time_to_full_s DOUBLE,
    trip_current_a DOUBLE, trip_power_w DOUBLE, source_resistance_mohm DOUBLE, resistance_mohm DOUBLE,
    efficiency DOUBLE, ended VARCHAR
);
CREATE TABLE catalogue.preview (run_id BIGINT NOT NULL, from_s DOUBLE NOT NULL, to_s DOUBLE NOT NULL, buckets INTEGER NOT NULL, channels VARCHAR NOT NULL, bands BLOB NOT NULL);
CREATE TABLE catalogue.result (
    run_id BIGINT, device VARCHAR, name VARCHAR NOT NULL, value DOUBLE, unit VARCHAR NOT NULL, uncertainty DOUBLE,
    text VARCHAR, method VARCHAR NOT NULL, method_version INTEGER NOT NULL, from_s DOUBLE, to_s DOUBLE,
    warnings VARCHAR NOT NULL, reason VARCHAR NOT NULL, budget VARCHAR NOT NULL, inputs VARCHAR NOT NULL,
    formula VARCHAR NOT NULL, computed_at TIMESTAMP NOT NULL, program_version VARCHAR NOT NULL,
    is_current BOOLEAN NOT NULL
);
CREATE TABLE catalogue.event (
    run_id BIGINT NOT NULL, kind VARCHAR NOT NULL, from_s DOUBLE NOT NULL, to_s DOUBLE NOT NULL,
    value DOUBLE, unit VARCHAR NOT NULL, detail VARCHAR NOT NULL, is_imported BOOLEAN NOT NULL
);
CREATE TABLE catalogue.device (
    device VARCHAR NOT NULL, kind VARCHAR NOT NULL, maker VARCHAR NOT NULL, model VARCHAR NOT NULL, serial VARCHAR NOT NULL,
    rated_wh DOUBLE, rated_mah DOUBLE, cell_v DOUBLE, rated_output_w DOUBLE, mass_g DOUBLE, volume_cm3 DOUBLE,
    price DOUBLE, currency VARCHAR, note VARCHAR NOT NULL, sheet VARCHAR NOT NULL, saved_at TIMESTAMP NOT NULL
);
CREATE TABLE catalogue.port (device VARCHAR NOT NULL, port VARCHAR NOT NULL, connector VARCHAR NOT NULL, direction VARCHAR NOT NULL, offers VARCHAR NOT NULL);
CREATE TABLE catalogue.claim (
    device VARCHAR NOT NULL, position INTEGER NOT NULL, claim VARCHAR NOT NULL, quantity VARCHAR NOT NULL,
    bound VARCHAR NOT NULL, value DOUBLE, value_text VARCHAR NOT NULL, unit VARCHAR NOT NULL, tolerance_percent DOUBLE,
    port VARCHAR, mode VARCHAR, load VARCHAR, kind VARCHAR, ambient_c DOUBLE,
    condition VARCHAR NOT NULL, printed_on VARCHAR NOT NULL, text VARCHAR NOT NULL
);
CREATE TABLE catalogue.mark (device VARCHAR NOT NULL, name VARCHAR NOT NULL, listing VARCHAR NOT NULL);
CREATE TABLE catalogue.meter (
    meter VARCHAR NOT NULL, voltage_spec VARCHAR NOT NULL, current_spec VARCHAR NOT NULL,
    temperature_spec VARCHAR NOT NULL, note VARCHAR NOT NULL
);
CREATE TABLE catalogue.calibration (
    meter VARCHAR NOT NULL, calibrated_on DATE NOT NULL, done_by VARCHAR NOT NULL, document VARCHAR NOT NULL,
    due_on DATE, found VARCHAR NOT NULL, adjusted VARCHAR NOT NULL, corrections VARCHAR NOT NULL
);
CREATE TABLE catalogue.amendment (
    seq BIGINT NOT NULL, changed_at TIMESTAMP NOT NULL, who VARCHAR NOT NULL, program_version VARCHAR NOT NULL,
    table_name VARCHAR NOT NULL, key VARCHAR NOT NULL, field VARCHAR NOT NULL,
    old_value VARCHAR, new_value VARCHAR, reason VARCHAR NOT NULL, chain VARCHAR NOT NULL
);
CREATE TABLE catalogue.tombstone (
    run_id BIGINT NOT NULL, uid VARCHAR NOT NULL, source_sha256 VARCHAR NOT NULL, source_file VARCHAR NOT NULL,
    part VARCHAR NOT NULL, device VARCHAR, kind VARCHAR, samples BIGINT NOT NULL, facts VARCHAR NOT NULL,
    deleted_at TIMESTAMP NOT NULL, who VARCHAR NOT NULL, reason VARCHAR NOT NULL
);
CREATE TABLE catalogue.named_question (name VARCHAR NOT NULL, sql VARCHAR NOT NULL, saved_at TIMESTAMP NOT NULL);
CREATE TABLE catalogue.setting (name VARCHAR NOT NULL, value VARCHAR NOT NULL);
