-- series_installs: one row per install and series that applies to it.
-- reads: series, current_installs, current_models.   key: install_no, series_no.
-- A condensate trap is tested on condensing appliances only, pH where there is a neutraliser with media.
create or replace view series_installs as
select
    i.install_no,
    s.series_no,
    i.model_id,
    i.fuel,
    m.condensing
from current_installs i
join current_models m on m.model_no = i.model_no
cross join series s
where (not s.condensing_only or m.condensing)
  and (s.indicator <> 'condensate_ph' or i.media_kg > 0);
