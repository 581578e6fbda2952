-- unknown_install: a visit's install must be among the installs taken.
-- reads: seen_visits, unmatched_visits.   key: row.   does: set aside.
select row, 'install_id' as cell, install_id as written,
       'there is no such install in installs.csv, or its row was set aside' as told
from seen_visits
where install_id is not null
  and row in (select row from unmatched_visits)
