-- unknown_fuel: a range holds for any fuel, or for one that ships with the program or is defined in fleet.toml.
-- reads: seen_limits, known_fuels.   key: row.   does: set aside.
select row, 'fuel' as cell, fuel as written,
       'the fuel is not known; write any, or one of ' || (select string_agg(fuel, ', ' order by fuel) from known_fuels) as told
from seen_limits
where fuel is not null
  and fuel <> 'any'
  and fuel not in (select fuel from known_fuels)
