-- not_at_low: a range for low fire serves an indicator that is judged there.
-- reads: seen_limits, known_series.   key: row.   does: finding.
select row, 'firing' as cell, firing::varchar as written, indicator || ' is judged at high fire only; the row is not used' as told,
       false as misleads
from seen_limits
where firing = 'low'
  and indicator in (select indicator from known_series group by indicator having bool_and(firing = 'high'))
