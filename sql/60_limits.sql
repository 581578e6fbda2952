-- limits: one row per install and series that applies: the range it has to stay in, and where that range was read.
-- reads: series, current_limits, series_installs, observations.   key: install_no, series_no.
-- The maker's more specific row wins (fuel before firing); without one the general range of indicators.csv, marked general.

-- limit_rules: one row per model, fuel and series.   key: model_id, fuel, series_no.
create or replace table limit_rules as
with wanted as (
    select distinct model_id, fuel, series_no, condensing from series_installs
), makers as (
    select
        w.model_id, w.fuel, w.series_no, l.low, l.high, l.source,
        row_number() over (
            partition by w.model_id, w.fuel, w.series_no
            order by (l.fuel = w.fuel) desc, (l.firing = s.firing) desc, l.firing, l.low, l.high, l.source
        ) as place
    from wanted w
    join series s on s.series_no = w.series_no
    join current_limits l
        on l.model_id = w.model_id
        and l.indicator = s.indicator
        and coalesce(l.fuel, 'any') in (w.fuel, 'any')
        and (coalesce(l.firing, 'any') in (s.firing, 'any') or s.firing = 'any')
    -- an end that no value can pass, nought of a quantity above nought, puts no other range aside
    where l.high is not null or l.low > 0 or l.low <= 0 and s.transform <> 'log'
)
select
    w.model_id,
    w.fuel,
    w.series_no,
    -- No general figure holds for the flue gas of non-condensing appliances; each is held to its own start.
    m.place is null and s.indicator = 'flue_over_return_k' and not w.condensing as own_start,
    case when m.place is not null then m.low when own_start then null else s.general_low end as limit_low,
    case when m.place is not null then m.high when own_start then null else s.general_high end as limit_high,
    case when m.place is not null then coalesce(m.source, '') when own_start then null else s.general_source end as limit_source,
    m.place is null as general
from wanted w
join series s on s.series_no = w.series_no
left join makers m
    on m.model_id = w.model_id and m.fuel is not distinct from w.fuel and m.series_no = w.series_no and m.place = 1;

-- commissioned_flue: the flue temperature over return as left at commissioning.   key: install_no.
create or replace table commissioned_flue as
select
    o.install_no,
    o.value
from observations o
join install_clock c on c.commissioned_visit_no = o.visit_no
join series_installs a on a.install_no = o.install_no and a.series_no = o.series_no
where o.series_no = 0 and o.stage = 'as_left' and o.usable and not a.condensing;

create or replace view limits as
select
    a.install_no,
    a.series_no,
    r.limit_low,
    case when r.own_start then f.value + 22.2 else r.limit_high end as limit_high,
    case
        when r.own_start and f.value is null then null
        when r.own_start then 'common practice, no source (22 K or 40 °F above the value at commissioning)'
        else r.limit_source
    end as limit_source,
    r.general
from series_installs a
join limit_rules r on r.model_id = a.model_id and r.fuel is not distinct from a.fuel and r.series_no = a.series_no
left join commissioned_flue f on r.own_start and f.install_no = a.install_no;
