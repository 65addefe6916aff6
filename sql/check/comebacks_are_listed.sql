-- grain: one row that breaks the check
-- key: by, group
-- reads: mart.first_time_fix, mart.comeback
-- units: none
-- leaves out: nothing
-- why: mart.comeback lists as many comebacks as mart.first_time_fix counts: in all, by shop, technician and component
-- level: fail
-- judges: select count(*) from mart.comeback

with listed as (
    select 'all' as "by", 'all' as "group", count(*) as n_listed from mart.comeback
    union all
    select 'shop' as "by", shop_id as "group", count(*) as n_listed from mart.comeback group by shop_id
    union all
    select 'technician' as "by", technician_id as "group", count(*) as n_listed
    from mart.comeback
    where technician_id is not null
    group by technician_id
    union all
    select 'component' as "by", component as "group", count(*) as n_listed from mart.comeback group by component
),

counted as (
    select "by", "group", n_comebacks
    from mart.first_time_fix
    where "by" in ('all', 'shop', 'technician', 'component')
)

select "by", "group", n_listed, n_comebacks
from listed
full join counted using ("by", "group")
where coalesce(n_listed, 0) <> coalesce(n_comebacks, 0)
