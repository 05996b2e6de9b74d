-- energy of every discharge, mode by mode
SELECT device, mode, load_set, count(*) AS runs, round(avg(energy_wh), 2) AS mean_wh, round(min(energy_wh), 2) AS least_wh,
       round(max(energy_wh), 2) AS most_wh
FROM runs WHERE kind = 'discharge' AND quality = 'ok' GROUP BY device, mode, load_set ORDER BY device, mode, load_set
