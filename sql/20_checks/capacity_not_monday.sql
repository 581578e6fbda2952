-- not_monday: a week is named by its Monday; hours given for another day are those of its week.
-- reads: seen_capacity, raw_capacity.   key: row.   does: finding.
select s.row, 'week' as cell, r.week::varchar as written, 'no Monday; taken for the week of Monday ' || s.week as told,
       false as misleads
from seen_capacity s
join raw_capacity r on r.row = s.row
where s.week <> r.week
