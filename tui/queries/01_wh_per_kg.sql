-- devices by delivered Wh per kg
SELECT d.device, d.mass_g, max(r.energy_wh) AS best_wh, round(max(r.energy_wh) / d.mass_g * 1000, 1) AS wh_per_kg
FROM devices d JOIN runs r USING (device)
WHERE r.kind = 'discharge' AND r.quality = 'ok' AND d.mass_g > 0
GROUP BY d.device, d.mass_g ORDER BY wh_per_kg DESC
