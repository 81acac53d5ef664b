"""In: nothing of the trade. Out: errors, units, days, columns, records and guards that every layer above uses."""
