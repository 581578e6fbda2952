-- unknown_visit: a test belongs to a visit that was taken.
-- reads: seen_readings, unmatched_readings, raw_visits.   key: row.   does: set aside.
select r.row, 'visit_id' as cell, r.visit_id as written,
       case when r.visit_id in (select visit_id from raw_visits) then 'its visit was set aside'
            else 'there is no such visit in visits/' end as told
from seen_readings r
semi join unmatched_readings u on u.row = r.row
where r.visit_id is not null
