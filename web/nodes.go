package web

import (
	"errors"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"leadsman/practice"
)

// closeElsewhere is the close code of a microphone whose exam runs on another node; the fault before it names the node.
const closeElsewhere = 4007

// nodes are the addresses under which pages of this practice may go on: they come from one and go to another as it is needed.
type nodes []string

// CheckNodes says what is wrong with a list of nodes: each is an origin, and cookies must reach all of them.
func CheckNodes(list []string) error {
	var hosts []string
	for _, n := range list {
		u, err := url.Parse(n)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" {
			return &inputError{text: "node " + n + ": write its address as https://HOST:PORT"}
		}
		hosts = append(hosts, u.Hostname())
	}
	if len(hosts) > 1 && slices.ContainsFunc(hosts, func(h string) bool { return h != hosts[0] }) && commonDomain(hosts) == "" {
		return &inputError{text: "nodes " + strings.Join(list, ", ") + ": who has signed in at one is known at another only if their names end alike, as in a.chart.example and b.chart.example"}
	}
	return nil
}

// commonDomain is the end that all names have in common, of two labels at least; "" if there is none.
func commonDomain(hosts []string) string {
	if slices.ContainsFunc(hosts, func(h string) bool { return net.ParseIP(h) != nil }) {
		return ""
	}
	parts := strings.Split(hosts[0], ".")
	for i := 1; i+1 < len(parts); i++ {
		d := strings.Join(parts[i:], ".")
		if !slices.ContainsFunc(hosts, func(h string) bool { return !strings.HasSuffix(h, "."+d) }) {
			return d
		}
	}
	return ""
}

// nodeOf is the node that an error names, "" for none.
func nodeOf(err error) string {
	var other *practice.ElsewhereError
	if errors.As(err, &other) {
		return other.Node
	}
	return ""
}

// domain is the domain of the session's cookie: "" is this host alone, with all its ports.
func (n nodes) domain() string {
	var hosts []string
	for _, a := range n {
		if u, err := url.Parse(a); err == nil {
			hosts = append(hosts, u.Hostname())
		}
	}
	if len(hosts) < 2 || !slices.ContainsFunc(hosts, func(h string) bool { return h != hosts[0] }) {
		return ""
	}
	return commonDomain(hosts)
}

// has reports whether a page of this origin is one of ours.
func (n nodes) has(origin string) bool {
	return origin != "" && slices.ContainsFunc(n, func(a string) bool { return strings.EqualFold(strings.TrimSuffix(a, "/"), origin) })
}

// sources are the nodes as a content security policy names them.
func (n nodes) sources() (s string) {
	for _, a := range n {
		a = strings.TrimSuffix(a, "/")
		s += " " + a + " " + strings.Replace(a, "http", "ws", 1)
	}
	return s
}

// share lets pages that came from another node in. It answers what browsers ask beforehand.
func (n nodes) share(w http.ResponseWriter, r *http.Request) (answered bool) {
	if len(n) == 0 {
		return false
	}
	h := w.Header()
	h.Add("Vary", "Origin")
	origin := r.Header.Get("Origin")
	if !n.has(origin) {
		return false
	}
	h.Set("Access-Control-Allow-Origin", origin)
	h.Set("Access-Control-Allow-Credentials", "true")
	h.Set("Cross-Origin-Resource-Policy", "same-site")
	if r.Method != http.MethodOptions {
		return false
	}
	h.Set("Access-Control-Allow-Methods", "GET, POST, PUT, DELETE")
	h.Set("Access-Control-Allow-Headers", "Content-Type")
	h.Set("Access-Control-Max-Age", "600")
	w.WriteHeader(http.StatusNoContent)
	return true
}
