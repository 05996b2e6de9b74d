-- runs that lack a fact: device, port, mode, kind or meter
SELECT run_id, device, port, mode, kind, meter, started_at, source_file
FROM runs WHERE device IS NULL OR port IS NULL OR mode IS NULL OR kind IS NULL OR meter IS NULL ORDER BY run_id
