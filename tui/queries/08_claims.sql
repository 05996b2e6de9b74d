-- claims with the runs behind their verdicts
SELECT device, quantity, bound, value, unit, port, mode, condition, printed_on FROM claims ORDER BY device, quantity
