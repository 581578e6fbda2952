-- misled_values: the entered cells behind which a doubt stands that would mislead the fit.
-- reads: findings.   key: visit_id, stage, firing, about.
-- The four of analyser tests carry the names of the fits they would mislead; the others that of their column.
create or replace table misled_values as
select distinct
    visit_id,
    stage,
    firing,
    unnest(case
        when "column" in ('flue_temp_c', 'return_temp_c') then ['flue']
        when "column" in ('co_ppm', 'co_air_free_ppm') then ['co']
        when "column" in ('o2_pct', 'co2_pct') then ['o2', 'co']
        else ["column"]
    end) as about
from findings
where misleads and visit_id is not null;
