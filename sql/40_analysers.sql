-- analysers: one row per analyser named on any test, numbered in the order of their names.
-- reads: current_readings.   key: analyser_no.
create or replace table analysers as
select (row_number() over (order by analyser_id) - 1)::integer as analyser_no, analyser_id
from (select distinct analyser_id from current_readings where analyser_id is not null)
order by analyser_no;
