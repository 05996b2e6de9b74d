-- What limits a result as flags and what it rests on as typed data, derived once from stored sentences (flags.py);
-- degrees of freedom and the expanded uncertainty; the share of the rated energy under its one name.
ALTER TABLE catalogue.result RENAME COLUMN inputs TO account;
ALTER TABLE catalogue.result ADD COLUMN flags VARCHAR[] DEFAULT [];
ALTER TABLE catalogue.result ADD COLUMN dof DOUBLE;
ALTER TABLE catalogue.result ADD COLUMN expanded DOUBLE;
UPDATE catalogue.result SET expanded = 2.0 * uncertainty, name = CASE name WHEN 'usable_share' THEN 'yield' ELSE name END;
