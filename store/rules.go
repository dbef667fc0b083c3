package store

import "fmt"

// rule forbids something for good: the databases themselves see to it, whoever writes.
type rule struct {
	name, on, table string // on: INSERT, UPDATE, UPDATE OF columns, DELETE
	when            string // what is forbidden of that; "" is all
	says            string
}

func (r rule) forSQLite() string {
	when := ""
	if r.when != "" {
		when = "\nWHEN " + r.when
	}
	return fmt.Sprintf("CREATE TRIGGER %s BEFORE %s ON %s%s\nBEGIN SELECT RAISE(ABORT, '%s'); END;\n", r.name, r.on, r.table, when, r.says)
}

func (r rule) forPostgres() string {
	when := r.when
	if when == "" {
		when = "TRUE"
	}
	return fmt.Sprintf(`CREATE FUNCTION %[1]s() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN IF %[4]s THEN RAISE EXCEPTION '%[5]s'; END IF; RETURN COALESCE(NEW, OLD); END $$;
CREATE TRIGGER %[1]s BEFORE %[2]s ON %[3]s FOR EACH ROW EXECUTE FUNCTION %[1]s();
`, r.name, r.on, r.table, when, r.says)
}
