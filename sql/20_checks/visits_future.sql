-- future: a visit after the day the forecast is made for (without one: after today) is not known yet.
-- reads: seen_visits, variable last_day.   key: row.   does: set aside.
select row, 'visited_on' as cell, visited_on::varchar as written,
       'the visit lies after ' || getvariable('last_day') as told
from seen_visits
where visited_on > getvariable('last_day')::date
