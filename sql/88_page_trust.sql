-- page_cleaning: one row per exchanger design, series and kind of work: what it restores, in the units shown.
-- reads: cleaning_effects, analyser_bias, pace_changes, backtest_scores, backtest_bins, page_series, page_indicators.   key: exchanger_design, series_no, kind.
create or replace view page_cleaning as
select s.series_no, s.label, s.unit, t.exchanger_design, t.kind, t.restored_share, t.low, t.high, t.cycles,
       t.value_before * s.factor + s.shift as value_before, t.value_after * s.factor + s.shift as value_after
from cleaning_effects t join page_series s on s.indicator = t.indicator and s.firing = t.firing;

-- page_analysers: one row per analyser and indicator; a bias is a difference, and some are given as a percentage of the reading.
create or replace view page_analysers as
select s.series_no, s.label, t.analyser_id as analyser, t.tests, t.wants_calibration,
       case when t.unit = s.unit_inside then s.unit else t.unit end as unit,
       case when t.unit = s.unit_inside then s.factor else 1 end as by_unit,
       t.bias * by_unit as bias, t.low * by_unit as low, t.high * by_unit as high
from analyser_bias t join page_indicators s using (indicator);

create or replace view page_pace as
select s.series_no, s.label, t.scope, t.name, t.since, t.ratio, t.low, t.high, t.p, t.installs
from pace_changes t join page_series s on s.indicator = t.indicator and s.firing = t.firing;

create or replace view page_scores as
select s.series_no, s.label, t.horizon_months, t.method, t.n, t.events, t.brier, t.brier_skill, t.log_score, t.auc,
       t.calibration_intercept, t.calibration_slope, t.coverage80
from backtest_scores t join page_series s on s.indicator = t.indicator and s.firing = t.firing;

create or replace view page_bins as
select s.series_no, s.label, t.horizon_months, t.p_mid, t.observed, t.low, t.high, t.n
from backtest_bins t join page_series s on s.indicator = t.indicator and s.firing = t.firing;
