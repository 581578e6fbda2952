-- no_end: a range has at least one end.
-- reads: seen_limits.   key: row.   does: finding.
select row, 'high' as cell, null as written, 'neither low nor high is given; a less specific row or the general range is used' as told,
       false as misleads
from seen_limits
where low is null
  and high is null
