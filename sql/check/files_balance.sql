-- grain: one row that breaks the check
-- key: file
-- reads: audit.files
-- units: none
-- leaves out: nothing
-- why: n_read = n_accepted + n_quarantined + n_duplicate in every file
-- level: fail
-- judges: select count(*) from audit.files

select file, n_read, n_accepted, n_quarantined, n_duplicate
from audit.files
where
    n_read is distinct from n_accepted + n_quarantined + n_duplicate
    or least(n_read, n_accepted, n_quarantined, n_duplicate) < 0
