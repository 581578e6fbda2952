-- unknown_fuel: a fuel must ship with the program or be defined in fleet.toml; without one only part can be computed.
-- reads: seen_installs, known_fuels.   key: row.   does: finding.
select row, 'fuel' as cell, fuel as written,
       'the fuel is not known; what depends on it is not computed. Known are ' || (select string_agg(fuel, ', ' order by fuel) from known_fuels)
       || '; define it under [fuels.' || left(fuel, 40) || '] in fleet.toml' as told, true as misleads
from seen_installs
where fuel is not null
  and fuel not in (select fuel from known_fuels)
