-- grain: one repair closed inside the window, with the groups it counts in
-- key: job_id
-- reads: core.follow_up, mart.repair_check
-- units: days
-- leaves out: repairs still open or closed outside the window
-- why: a comeback counts against the shop, technician, model and component of the repair before it (contract,
--   "Comeback"); verified and evidence say whether proving a repair pays. Each group is a column, so that every
--   repair is judged against all others whatever it is grouped by; a group is null where it has no name.

select
    follow_up.job_id,
    follow_up.shop_id as shop,
    follow_up.technician_id as technician,
    follow_up.model_label as model,
    follow_up.component,
    repair_check.verified,
    repair_check.evidence_agrees as evidence,
    follow_up.time_days,
    follow_up.is_comeback,
    follow_up.is_followed
from core.follow_up as follow_up
join mart.repair_check as repair_check using (job_id)
order by follow_up.job_id
