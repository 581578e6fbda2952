-- in_fahrenheit: a test whose temperatures can only be °F under headers that say °C was converted.
-- reads: mended_readings, raw_readings.   key: row.   does: finding.
select m.row, 'flue_temp_c' as cell, regexp_replace(r.flue_temp_c::varchar, '\.0$', '') as written,
       'mended: the temperatures of this test can only be °F; read as ' || m.flue_temp_c || ' °C' as told, false as misleads
from mended_readings m
join raw_readings r on r.row = m.row
where m.flue_temp_c <> r.flue_temp_c
