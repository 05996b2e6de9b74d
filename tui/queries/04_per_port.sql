-- runs per device, port and kind
SELECT device, port, kind, count(*) AS runs, round(sum(duration_s) / 3600, 1) AS hours
FROM runs GROUP BY device, port, kind ORDER BY device, port, kind
