-- upside_down: the low end of a range lies below its high end.
-- reads: seen_limits.   key: row.   does: set aside.
select row, 'low' as cell, low::varchar as written, 'low lies above high (' || high || '); a less specific row or the general range is used' as told
from seen_limits
where low > high
