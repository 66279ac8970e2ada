"""Statistics of many units of one part: charts, capability, risks, gauge studies, sampling. Pure: no I/O, no clock."""
