-- All that a register is built of: a name, and a text that differs where the
-- object does.
-- What belongs to an extension is left out, and so are owners and rights, which
-- are the server's matter.
WITH here AS (SELECT n.oid, quote_ident(n.nspname) || '.' AS prefix FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
  WHERE c.oid = to_regclass('traytally_schema')),
own AS (SELECT c.* FROM pg_catalog.pg_class c JOIN here ON here.oid = c.relnamespace
  WHERE NOT EXISTS (SELECT FROM pg_catalog.pg_depend d WHERE d.classid = 'pg_class'::regclass AND d.objid = c.oid AND d.deptype = 'e'))
SELECT CASE WHEN relkind = 'S' THEN 'sequence ' ELSE 'table ' END || relname,
  concat_ws(' ', relkind, relpersistence, relrowsecurity, relforcerowsecurity, relhassubclass, relispartition, reloptions) FROM own WHERE relkind NOT IN ('i', 'I')
UNION ALL SELECT 'column ' || relname || '.' || attname, concat_ws(' ', format_type(atttypid, atttypmod), attnotnull, attidentity, attgenerated, attcollation::regcollation, pg_get_expr(adbin, adrelid))
  FROM own JOIN pg_catalog.pg_attribute a ON a.attrelid = own.oid LEFT JOIN pg_catalog.pg_attrdef ON adrelid = attrelid AND adnum = attnum WHERE relkind NOT IN ('i', 'I', 'S') AND attnum > 0 AND NOT attisdropped
UNION ALL SELECT 'constraint ' || relname || '.' || conname, concat_ws(' ', replace(pg_get_constraintdef(k.oid), prefix, ''), confrelid = 0 OR confrelid IN (SELECT oid FROM own))
  FROM own JOIN pg_catalog.pg_constraint k ON conrelid = own.oid, here WHERE contype NOT IN ('n', 't')
UNION ALL SELECT 'index ' || own.relname, concat_ws(' ', replace(pg_get_indexdef(indexrelid), prefix, ''), indisvalid, indimmediate) FROM own JOIN pg_catalog.pg_index ON indexrelid = own.oid, here
UNION ALL SELECT 'trigger ' || relname || '.' || CASE WHEN tgisinternal THEN proname ELSE tgname END,
  string_agg(CASE WHEN tgisinternal THEN '' ELSE replace(pg_get_triggerdef(t.oid), prefix, '') || (pronamespace = here.oid)::text || ' ' END || tgenabled::text, ' ')
  FROM own JOIN pg_catalog.pg_trigger t ON tgrelid = own.oid JOIN pg_catalog.pg_proc p ON p.oid = tgfoid, here GROUP BY 1
UNION ALL SELECT 'rule ' || relname || '.' || rulename, pg_get_ruledef(r.oid) FROM own JOIN pg_catalog.pg_rewrite r ON ev_class = own.oid WHERE rulename <> '_RETURN'
UNION ALL SELECT 'policy ' || relname || '.' || polname, '' FROM own JOIN pg_catalog.pg_policy ON polrelid = own.oid
UNION ALL SELECT 'function ' || proname || '(' || pg_get_function_identity_arguments(p.oid) || ')',
  concat_ws(' ', lanname, prokind, prosecdef, proleakproof, proisstrict, proretset, provolatile, proconfig, format_type(prorettype, NULL), prosrc)
  FROM pg_catalog.pg_proc p JOIN here ON here.oid = pronamespace JOIN pg_catalog.pg_language l ON l.oid = prolang
  WHERE NOT EXISTS (SELECT FROM pg_catalog.pg_depend d WHERE d.classid = 'pg_proc'::regclass AND d.objid = p.oid AND d.deptype = 'e')
UNION ALL SELECT 'number of its form', (SELECT string_agg(version::text, ' ') FROM traytally_schema)
