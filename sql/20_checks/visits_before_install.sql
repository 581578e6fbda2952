-- before_install: nobody serves an appliance before it is installed.
-- reads: seen_visits, current_installs.   key: row.   does: set aside.
select v.row, 'visited_on' as cell, v.visited_on::varchar as written,
       'the appliance was installed on ' || i.installed_on || '; mend one of the two dates' as told
from seen_visits v
join current_installs i on i.install_id = v.install_id
where v.visited_on < i.installed_on
