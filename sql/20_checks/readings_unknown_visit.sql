-- unknown_visit: a test belongs to a visit that was taken.
-- reads: seen_readings, unmatched_readings, raw_visits, set_aside_rows, input_files.   key: row.   does: set aside.
-- A visit of that name was not taken, else the test would have matched: it is looked for among those set aside alone.
select r.row, 'visit_id' as cell, r.visit_id as written,
       case when r.visit_id in (
                select visit_id from raw_visits where row in (select row from set_aside_rows where kind = 'visits')
            ) then 'its visit was set aside'
            when u.unread is not null
                then 'there is no such visit in the files that could be read; not read was ' || u.unread
            else 'there is no such visit in visits/' end as told
from seen_readings r
join (
    select row, (select string_agg(name, ', ' order by name) from input_files where kind = 'visits' and status = 'stopped') as unread
    from unmatched_readings
) u on u.row = r.row
where r.visit_id is not null
