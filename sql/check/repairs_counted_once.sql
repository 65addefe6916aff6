-- grain: one row that breaks the check
-- key: n_repairs
-- reads: core.repair, core.failure, core.follow_up, core.setting, mart.repair_check, mart.failure_rate, mart.first_time_fix
-- units: none
-- leaves out: nothing
-- why: every repair is checked once, every failure is in one rate, every followed repair in one group of each by
-- level: fail
-- judges: select count(*) from core.repair

with totals as (
    select
        (select count(*) from core.repair) as n_repairs,
        (select count(*) from mart.repair_check) as n_checked,
        (select count(*) from core.repair, core.setting where opened_on between from_on and to_on) as n_opened,
        (select count(*) from core.failure) as n_failures,
        (select coalesce(sum(n_failures), 0) from mart.failure_rate) as n_in_rates,
        (select count(*) from core.repair, core.setting where closed_on between from_on and to_on) as n_closed,
        (select count(*) from core.follow_up) as n_followed,
        (select coalesce(sum(n_repairs), 0) from mart.first_time_fix where "by" = 'all') as n_in_all,
        (select coalesce(sum(n_repairs), 0) from mart.first_time_fix where "by" = 'shop') as n_in_shops,
        (select coalesce(sum(n_repairs), 0) from mart.first_time_fix where "by" = 'verified') as n_in_verified
)

select *
from totals
where
    n_checked <> n_repairs
    or n_failures <> n_opened
    or n_in_rates <> n_failures
    or n_followed <> n_closed
    or n_in_all <> n_followed
    or n_in_shops <> n_followed
    or n_in_verified <> n_followed
