-- visit_clock: one row per visit: burner hours since installation, and where the visit stands in the cycles of each reset class.
-- reads: visit_hours, install_clock, current_visits.   key: visit_no.
-- cyc_*: cycle number as found; as left it is one more where rst_* is true.   open_*_h: clock at the opening of the cycle as found.
-- A first visit that commissions opens no second cycle: cycle 0 is then the new appliance's own.
create or replace table visit_clock as
with events as (
    select
        v.visit_no,
        v.install_no,
        v.visited_on,
        h.clock_h,
        h.clock_exact,
        coalesce(v.purpose = 'commissioning', false) as commissioned,
        coalesce(v.exchanger_cleaning <> 'none', false) as cleaned,
        v.exchanger_cleaning,
        commissioned and v.visit_no is distinct from c.commissioned_visit_no as renewed,
        v.visit_no is not distinct from c.commissioned_visit_no as begun,
        c.started_h,
        not begun and (renewed or cleaned) as rst_exchanger,
        not begun and (renewed or cleaned or coalesce(v.burner_adjusted, false)) as rst_burner,
        not begun and (renewed or coalesce(v.electrodes_cleaned, false)) as rst_electrodes,
        not begun and (renewed or coalesce(v.trap_cleaned, false)) as rst_trap,
        not begun and (renewed or coalesce(v.media_renewed, false)) as rst_media,
        case when renewed then 'new' else v.exchanger_cleaning end as by_exchanger,
        case when renewed then 'new' when v.burner_adjusted then 'adjusted' else v.exchanger_cleaning end as by_burner
    from current_visits v
    join visit_hours h on h.visit_no = v.visit_no
    join install_clock c on c.install_no = v.install_no
)
select
    visit_no,
    install_no,
    visited_on,
    clock_h,
    clock_exact,
    commissioned,
    coalesce(sum(rst_exchanger::integer) over before, 0)::integer as cyc_exchanger,
    coalesce(sum(rst_burner::integer) over before, 0)::integer as cyc_burner,
    coalesce(sum(rst_electrodes::integer) over before, 0)::integer as cyc_electrodes,
    coalesce(sum(rst_trap::integer) over before, 0)::integer as cyc_trap,
    coalesce(sum(rst_media::integer) over before, 0)::integer as cyc_media,
    rst_exchanger,
    rst_burner,
    rst_electrodes,
    rst_trap,
    rst_media,
    coalesce(max(case when rst_exchanger then clock_h end) over before, started_h) as open_exchanger_h,
    coalesce(max(case when rst_burner then clock_h end) over before, started_h) as open_burner_h,
    coalesce(max(case when rst_electrodes then clock_h end) over before, started_h) as open_electrodes_h,
    coalesce(max(case when rst_trap then clock_h end) over before, started_h) as open_trap_h,
    coalesce(max(case when rst_media then clock_h end) over before, started_h) as open_media_h,
    case when rst_exchanger then by_exchanger end as by_exchanger,
    case when rst_burner then by_burner end as by_burner
from events
window before as (partition by install_no order by visit_no rows between unbounded preceding and 1 preceding)
order by visit_no;

drop table visit_hours;
