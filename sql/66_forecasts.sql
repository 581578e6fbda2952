-- forecasts: one row per install and series that applies: the newest value against the range, and when the range will be left.
-- reads: nothing; the forecast stage fills it with what limits, last_values and the drift model say.   key: install_no, series_no.
-- Rows lie in the order in which they are published: by install_id, whose order is that of install_no, indicator and firing.
-- What the drift model adds is null for a series without a range, or without a fit.
create or replace table forecasts (
    install_id varchar,
    indicator varchar,
    firing varchar,
    as_of date,
    last_value double,
    last_stage varchar,
    last_on date,
    limit_low double,
    limit_high double,
    limit_source varchar,
    state varchar,
    p_out_now double,
    due_on date,
    out_p10_on date,
    out_p50_on date,
    out_p90_on date,
    rate_per_1000h double,
    rate_low_per_1000h double,
    rate_high_per_1000h double,
    basis varchar,
    install_no integer,
    series_no bigint,
    general boolean
);
