-- cycles: one row per install, reset class and cycle: from one event that sets the indicator back to the next.
-- reads: install_clock, visit_clock.   key: install_no, reset_class, cycle_no.
-- Cycle 0 begins with a commissioning record ('new'), or at an unknown level ('unknown') with the fleet's records or the
-- installation, whichever is later.
create or replace view cycles as
select install_no, 'exchanger' as reset_class, 0 as cycle_no, commissioned_visit_no as opened_visit_no,
    started_by as opened_by, started_on as opened_on, started_h as opened_h
from install_clock
union all
select install_no, 'burner', 0, commissioned_visit_no, started_by, started_on, started_h from install_clock
union all
select install_no, 'electrodes', 0, commissioned_visit_no, started_by, started_on, started_h from install_clock
union all
select install_no, 'trap', 0, commissioned_visit_no, started_by, started_on, started_h from install_clock
union all
select install_no, 'media', 0, commissioned_visit_no, started_by, started_on, started_h from install_clock
union all
select install_no, 'exchanger', cyc_exchanger + 1, visit_no, by_exchanger::varchar, visited_on, clock_h
from visit_clock where rst_exchanger
union all
select install_no, 'burner', cyc_burner + 1, visit_no, by_burner::varchar, visited_on, clock_h
from visit_clock where rst_burner
union all
select install_no, 'electrodes', cyc_electrodes + 1, visit_no,
    case when commissioned then 'new' else 'cleaned' end, visited_on, clock_h
from visit_clock where rst_electrodes
union all
select install_no, 'trap', cyc_trap + 1, visit_no,
    case when commissioned then 'new' else 'cleaned' end, visited_on, clock_h
from visit_clock where rst_trap
union all
select install_no, 'media', cyc_media + 1, visit_no,
    case when commissioned then 'new' else 'renewed' end, visited_on, clock_h
from visit_clock where rst_media;
