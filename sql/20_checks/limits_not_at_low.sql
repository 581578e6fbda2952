-- not_at_low: a range for low fire serves an indicator that is judged there.
-- reads: seen_limits.   key: row.   does: finding.
select row, 'firing' as cell, firing::varchar as written, indicator || ' is judged at high fire only; the row is not used' as told,
       false as misleads
from seen_limits
where firing = 'low'
  and indicator in ('flue_over_return_k', 'flame_current_ua')
