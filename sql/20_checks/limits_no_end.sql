-- no_end: a range has at least one end that a reading can pass; some quantities are never below nought.
-- reads: seen_limits, known_series.   key: row.   does: finding.
select row, if(low is null, 'high', 'low') as cell, low::varchar as written,
       if(low is null, 'neither low nor high is given', 'no value lies below that, and no high is given')
           || '; a less specific row or the general range is used' as told,
       false as misleads
from seen_limits
where (low is null or low <= 0 and indicator in (select indicator from known_series where above_nought))
  and high is null
