-- All that a register is built of: a name, and a text that differs where the
-- object does.
SELECT type || ' ' || name, tbl_name || ': ' || coalesce(sql, 'made by SQLite') FROM sqlite_master
UNION ALL SELECT 'mark of a register', cast(application_id AS TEXT) FROM pragma_application_id
UNION ALL SELECT 'number of its form', cast(user_version AS TEXT) FROM pragma_user_version
