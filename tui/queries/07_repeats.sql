-- repeats: spread of energy where the same test was run more than once
SELECT device, port, mode, kind, load_set, count(*) AS runs, round(avg(energy_wh), 3) AS mean_wh,
       round(stddev_samp(energy_wh), 3) AS sd_wh
FROM runs WHERE energy_wh IS NOT NULL AND quality = 'ok'
GROUP BY device, port, mode, kind, load_set HAVING count(*) > 1 ORDER BY sd_wh DESC
