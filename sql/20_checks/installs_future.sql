-- future: an appliance installed after the day the forecast is made for (without one: after today) is not there yet.
-- reads: seen_installs, variable last_day.   key: row.   does: set aside.
select row, 'installed_on' as cell, installed_on::varchar as written,
       'the appliance is installed after ' || getvariable('last_day') as told
from seen_installs
where installed_on > getvariable('last_day')::date
