-- hottest runs, with what they were doing
SELECT run_id, device, port, mode, kind, load_set, temperature_max_c, ambient_c, round(temperature_max_c - ambient_c, 1) AS rise_k
FROM runs WHERE temperature_max_c IS NOT NULL ORDER BY temperature_max_c DESC LIMIT 50
