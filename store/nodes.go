package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"

	"leadsman/practice"
)

// Nodes that share a database. An exam is written to by one of them, which holds its lease: a row with the node and a token that grows each time the lease
// changes hands. Every append is checked against it in its own transaction, so a node that slept while another one took the exam over
// can write nothing any more, however long it slept and whatever its clock says. A lease lasts as long as its node shows life.
const (
	nodeBeat   = time.Second
	nodeLasts  = 4 * time.Second // without a sign of life; by the clock of the database
	nodeLooks  = 5 * time.Second // how often the journal is read even if nothing was told
	nodeClosed = 3 * time.Second // how long taking leave may last
)

const nowMillis = "(extract(epoch FROM clock_timestamp()) * 1000)::bigint"

// Node is this process among those that share a database.
type Node struct {
	s       *Store
	id      string
	address string
	cfg     *pgx.ConnConfig
	db      *sql.DB // for signs of life, which wait for no change
	stop    context.CancelFunc
	wg      sync.WaitGroup

	mu     sync.Mutex
	tokens map[string]int64 // of the exams that this node has
	wrote  map[int64]bool   // entries of the journal that are its own and were not read back yet
	seen   int64            // up to here the journal was followed
}

// Join makes the process one of several that share the database; address is where pages reach it. A store in a file has no nodes: nil.
func (s *Store) Join(ctx context.Context, address string) (*Node, error) {
	if s.inFile() {
		return nil, nil
	}
	const op = "join the other nodes"
	b := make([]byte, 8)
	rand.Read(b) // never fails
	n := &Node{s: s, id: hex.EncodeToString(b), address: address, cfg: s.listen, db: stdlib.OpenDB(*s.listen), tokens: map[string]int64{}, wrote: map[int64]bool{}}
	n.db.SetMaxOpenConns(1)
	err := n.s.r.QueryRowContext(ctx, "SELECT COALESCE(MAX(n), 0) FROM journal").Scan(&n.seen)
	if err == nil {
		// What was at this address before has ended.
		_, err = n.db.ExecContext(ctx, "DELETE FROM nodes WHERE address = $1 OR until < "+nowMillis+" - 86400000", address)
	}
	if err == nil {
		err = n.live(ctx)
	}
	if err != nil {
		n.db.Close()
		return nil, s.fail(op, err)
	}
	live, stop := context.WithCancel(context.Background())
	n.stop = stop
	n.wg.Go(func() {
		every := time.NewTicker(nodeBeat)
		defer every.Stop()
		for {
			select {
			case <-every.C:
				beat, done := context.WithTimeout(live, nodeLasts)
				_ = n.live(beat) // a database that is away is noticed by whoever needs it
				done()
			case <-live.Done():
				return
			}
		}
	})
	s.node.Store(n)
	return n, nil
}

// live shows life. It need not last: a lost sign of life is followed by the next.
func (n *Node) live(ctx context.Context) error {
	_, err := n.db.ExecContext(ctx, `WITH quick AS (SELECT set_config('synchronous_commit', 'off', true))
		INSERT INTO nodes (node, address, until) SELECT $1, $2, `+nowMillis+` + $3 FROM quick ON CONFLICT (node) DO UPDATE SET until = excluded.until`, n.id, n.address, nodeLasts.Milliseconds())
	return err
}

// Close gives all exams of this node free.
func (n *Node) Close() error {
	n.s.node.CompareAndSwap(n, nil)
	n.stop()
	n.wg.Wait()
	ctx, done := context.WithTimeout(context.Background(), nodeClosed)
	defer done()
	_, err := n.db.ExecContext(ctx, "DELETE FROM nodes WHERE node = $1", n.id)
	return errors.Join(n.s.fail("take leave of the other nodes", err), n.db.Close())
}

// lease is a row of leases.
type lease struct {
	node, address string
	token         int64
	alive         bool
}

// leaseOf reads the lease of an exam; ok is false where there is none.
func leaseOf(ctx context.Context, db querier, exam string) (l lease, ok bool, err error) {
	err = db.QueryRowContext(ctx, `SELECT l.node, l.token, COALESCE(n.address, ''), COALESCE(n.until > `+nowMillis+`, FALSE) FROM leases l LEFT JOIN nodes n ON n.node = l.node WHERE l.exam = ?`, exam).
		Scan(&l.node, &l.token, &l.address, &l.alive)
	if errors.Is(err, sql.ErrNoRows) {
		return l, false, nil
	}
	return l, err == nil, err
}

// Own is practice.Nodes.
func (n *Node) Own(ctx context.Context, exam string) (fresh bool, err error) {
	n.mu.Lock()
	_, have := n.tokens[exam]
	n.mu.Unlock()
	if have {
		return false, nil
	}
	var token int64
	err = n.s.write(ctx, "take exam "+exam, func(t *tx) error {
		l, ok, err := leaseOf(ctx, t, exam)
		if err != nil {
			return err
		}
		if ok && l.alive && l.node != n.id {
			return &practice.ElsewhereError{Node: l.address}
		}
		return t.QueryRowContext(ctx, `INSERT INTO leases (exam, node, token) VALUES (?,?,1)
			ON CONFLICT (exam) DO UPDATE SET node = excluded.node, token = leases.token + 1 RETURNING token`, exam, n.id).Scan(&token)
	})
	if err != nil {
		return false, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.tokens[exam] = token
	return true, nil
}

// Leave is practice.Nodes.
func (n *Node) Leave(ctx context.Context, exam string) error {
	n.mu.Lock()
	token, have := n.tokens[exam]
	delete(n.tokens, exam)
	n.mu.Unlock()
	if !have {
		return nil
	}
	// The token stays, so that it goes on growing.
	return n.s.write(ctx, "give exam "+exam+" free", func(t *tx) error {
		_, err := t.ExecContext(ctx, "UPDATE leases SET node = '' WHERE exam = ? AND token = ?", exam, token)
		return err
	})
}

// First is practice.Nodes.
func (n *Node) First(ctx context.Context) (first bool, err error) {
	err = n.s.r.QueryRowContext(ctx, "SELECT COALESCE(MIN(node), '') = ? FROM nodes WHERE until > "+nowMillis, n.id).Scan(&first)
	return first, n.s.fail("look for the other nodes", err)
}

// fence refuses what another node alone may write. It runs in the transaction of the change.
func (t *tx) fence(ctx context.Context, exam string) error {
	if t.s.inFile() {
		return nil
	}
	l, ok, err := leaseOf(ctx, t, exam)
	if err != nil || !ok {
		return err
	}
	n := t.s.node.Load()
	if n == nil {
		if l.alive {
			return &practice.ElsewhereError{Node: l.address}
		}
		return nil
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	token, have := n.tokens[exam]
	switch {
	case have && l.node == n.id && l.token == token:
		return nil
	case have || l.alive:
		delete(n.tokens, exam)
		return &practice.ElsewhereError{Node: l.address}
	}
	return nil
}

// channel is what changes are told on.
const channel = "'leadsman ' || current_schema()"

// tell tells a change that is about to be committed: the number of its last entry, or 0 for a session.
func (t *tx) tell(ctx context.Context, entry int64) error {
	_, err := t.ExecContext(ctx, "SELECT pg_notify("+channel+", ?)", fmt.Sprint(entry))
	return err
}

// tellSession tells the other nodes that somebody signed in or out.
func (t *tx) tellSession(ctx context.Context) error {
	if t.s.node.Load() == nil {
		return nil
	}
	return t.tell(ctx, 0)
}

// own notes whether the entries of a change are this node's own. One of which that is not known is followed as if it were another's.
func (n *Node) own(t *tx, own bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for i := t.last - t.entries + 1; i <= t.last; i++ {
		if own {
			n.wrote[i] = true
		} else {
			delete(n.wrote, i)
		}
	}
}

// Follow is practice.Nodes. It listens, and reads the journal from where it was: what was told and did not arrive, or came while the connection was gone, is read all the same.
func (n *Node) Follow(ctx context.Context, changed func(table, key string)) {
	for ctx.Err() == nil {
		err := n.follow(ctx, changed)
		if ctx.Err() != nil {
			return
		}
		_ = err // the database went away, which is noticed by whoever needs it
		select {
		case <-time.After(nodeBeat / 2):
		case <-ctx.Done():
		}
	}
}

func (n *Node) follow(ctx context.Context, changed func(table, key string)) error {
	c, err := pgx.ConnectConfig(ctx, n.cfg.Copy())
	if err != nil {
		return err
	}
	defer c.Close(context.WithoutCancel(ctx))
	var name string
	if err := c.QueryRow(ctx, "SELECT "+channel).Scan(&name); err != nil {
		return err
	}
	if _, err := c.Exec(ctx, "LISTEN "+pgx.Identifier{name}.Sanitize()); err != nil {
		return err
	}
	for {
		// First what was missed: while this node was not listening, or was told in vain.
		if err := n.readOn(ctx, changed); err != nil {
			return err
		}
		wait, done := context.WithTimeout(ctx, nodeLooks)
		_, err := c.WaitForNotification(wait)
		quiet := wait.Err() != nil
		done()
		if err != nil && (!quiet || ctx.Err() != nil) {
			return err
		}
		if quiet && c.IsClosed() {
			return err
		}
	}
}

// readOn tells of the entries of the journal since the last time.
func (n *Node) readOn(ctx context.Context, changed func(table, key string)) error {
	type entry struct {
		n          int64
		table, key string
	}
	es, err := gather(ctx, n.s.r, func(scan func(...any) error) (e entry, err error) { err = scan(&e.n, &e.table, &e.key); return },
		"SELECT n, tbl, key FROM journal WHERE n > ? ORDER BY n", n.seen)
	if err != nil {
		return err
	}
	for _, e := range es {
		n.seen = e.n
		n.mu.Lock()
		mine := n.wrote[e.n]
		delete(n.wrote, e.n)
		n.mu.Unlock()
		if mine || e.table == "" {
			continue
		}
		changed(e.table, e.key)
	}
	changed("sessions", "")
	return nil
}
