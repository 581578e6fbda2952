-- unknown_area: an install's area must stand in areas.csv.
-- reads: seen_installs, current_areas.   key: row.   does: set aside.
select row, 'area_id' as cell, area_id as written, 'there is no such area in areas.csv' as told
from seen_installs
where area_id is not null
  and area_id not in (select area_id from current_areas)
