-- interruptions: runs with dropouts, gaps or pauses
SELECT e.run_id, r.device, r.port, r.kind, e.kind AS event, count(*) AS times, round(sum(e.to_s - e.from_s), 1) AS seconds
FROM events e JOIN runs r USING (run_id)
WHERE e.kind IN ('dropout', 'gap', 'pause', 'thermal pause', 'trip', 'restart')
GROUP BY ALL ORDER BY times DESC, seconds DESC
