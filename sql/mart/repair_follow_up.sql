-- grain: one repair closed inside the window, in one group it belongs to
-- key: by, group, job_id
-- reads: core.follow_up, mart.repair_check
-- units: days
-- leaves out: repairs still open or closed outside the window; groups without a name (no technician)
-- why: a comeback counts against the shop, technician, model and component of the repair before it (contract,
--   "Comeback"); verified and evidence say whether proving a repair pays.

with named as (
    select
        follow_up.job_id,
        follow_up.make,
        follow_up.model,
        follow_up.component,
        follow_up.time_days,
        follow_up.is_comeback,
        follow_up.is_followed,
        [
            {'by': 'all', 'group': 'all'},
            {'by': 'shop', 'group': follow_up.shop_id},
            {'by': 'technician', 'group': follow_up.technician_id},
            {'by': 'model', 'group': follow_up.model_label},
            {'by': 'component', 'group': follow_up.component},
            {'by': 'verified', 'group': repair_check.verified},
            {'by': 'evidence', 'group': repair_check.evidence_agrees}
        ] as memberships
    from core.follow_up as follow_up
    join mart.repair_check as repair_check using (job_id)
),

grouped as (
    select
        unnest(memberships, recursive := true),
        job_id,
        make,
        model,
        component,
        time_days,
        is_comeback,
        is_followed
    from named
)

select
    "by",
    "group",
    job_id,
    make,
    model,
    component,
    time_days,
    is_comeback,
    is_followed
from grouped
where "group" is not null
order by "by", "group", job_id
