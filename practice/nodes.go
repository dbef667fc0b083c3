package practice

import "context"

// follow takes in what other nodes change, until Close.
func (p *Practice) follow() {
	ctx, stop := context.WithCancel(context.Background())
	p.wg.Go(func() { <-p.quit; stop() })
	p.nodes.Follow(ctx, func(table, key string) {
		switch table {
		case "sessions", "accounts", "examiners":
			if err := p.People.takeIn(ctx); err != nil {
				p.log.Warn("sign-ins at other nodes cannot be read", "err", err)
			}
		case "exams":
			p.changedElsewhere(ctx, key)
		}
	})
}

// changedElsewhere brings an exam that is looked at here up to date.
func (p *Practice) changedElsewhere(ctx context.Context, id string) {
	p.mu.Lock()
	r := p.running[id]
	p.mu.Unlock()
	if r == nil {
		return
	}
	if err := r.CatchUp(ctx); err != nil && ctx.Err() == nil {
		p.log.Warn("what another node entered cannot be read yet", "exam", id, "err", err)
	}
}

// takeIn reads again who has signed in, and whether anybody has a password: other nodes change both.
func (p *People) takeIn(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.loaded {
		return nil
	}
	kept, err := p.records.Sessions(ctx)
	if err != nil {
		return err
	}
	there := map[string]bool{}
	for _, s := range kept {
		there[string(s.Token)] = true
		if x := p.sessions[string(s.Token)]; x == nil {
			p.sessions[string(s.Token)] = &session{Session: s, noted: s.Used, ended: make(chan struct{})}
		} else if s.Used.After(x.Used) {
			x.Used, x.noted = s.Used, s.Used
		}
	}
	for token, x := range p.sessions {
		if !there[token] {
			delete(p.sessions, token)
			close(x.ended)
		}
	}
	return p.count(ctx)
}
