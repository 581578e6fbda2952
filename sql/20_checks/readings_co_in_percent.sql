-- co_in_percent: analysers show whole ppm; a CO between 0 and 1 was probably entered in per cent.
-- reads: seen_readings.   key: row.   does: finding.
select row, 'co_ppm' as cell, co_ppm::varchar as written,
       'analysers show whole ppm; this looks like per cent (' || round(co_ppm * 10000)::integer || ' ppm); kept as written' as told,
       true as misleads
from seen_readings
where co_ppm > 0 and co_ppm < 1
