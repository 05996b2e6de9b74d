-- power per minute of the longest discharge, to draw over minute
WITH longest AS (SELECT run_id FROM runs WHERE kind = 'discharge' ORDER BY duration_s DESC LIMIT 1)
SELECT floor(t_s / 60) AS minute, avg(power_w) AS mean_w, min(power_w) AS least_w, max(power_w) AS most_w
FROM samples WHERE run_id = (SELECT run_id FROM longest) GROUP BY minute ORDER BY minute
