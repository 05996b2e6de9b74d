-- runs whose meter's counter disagrees with the integral
WITH counter AS (
  SELECT run_id, max(energy_wh) - min(energy_wh) AS counter_wh FROM samples WHERE energy_wh IS NOT NULL GROUP BY run_id
)
SELECT r.run_id, r.device, r.port, r.meter, r.energy_wh, c.counter_wh,
       round(100 * (c.counter_wh / r.energy_wh - 1), 2) AS differs_percent
FROM runs r JOIN counter c USING (run_id)
WHERE abs(r.energy_wh) > 0 AND abs(c.counter_wh / r.energy_wh - 1) > 0.005
ORDER BY abs(differs_percent) DESC
