-- grain: one shop with a repair whose recording before it tells whether it supports the component
-- key: shop_id
-- reads: mart.repair_check
-- units: none
-- leaves out: repairs of which that recording cannot say, or that have none
-- why: how often a part was repaired against the recording; the share rests on the repairs of which one tells.

select
    shop_id,
    count(*) as n_told,
    count(*) filter (evidence_agrees = 'no') as n_against
from mart.repair_check
where evidence_agrees in ('yes', 'no')
group by shop_id
order by shop_id
