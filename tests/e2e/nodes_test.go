package e2e

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/store"
	"leadsman/tests/postgres"
	"leadsman/tests/program"
)

// The node that a page came from is killed while an exam is called: the page goes on at the other node by itself, with the sound that it
// kept, and what was typed meanwhile is entered. (tests/kill does it more often, without a browser.) The calls are spoken in real time.
func TestPageGoesOnAtAnotherNode(t *testing.T) {
	t.Parallel()
	server := postgres.Start(t)
	url := server.Schema("page")
	first := t.TempDir()
	var addrs, bases []string
	for range 2 {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		addrs = append(addrs, ln.Addr().String())
		bases = append(bases, "http://"+ln.Addr().String())
		ln.Close()
	}
	nodes := make([]*program.Running, 2)
	for i, data := range []string{first, t.TempDir()} {
		_, nodes[i] = launch(t, "--addr", addrs[i], "--data", data, "--store", url, "--key", store.KeyFile(first), "--nodes", strings.Join(bases, ","), "--node", bases[i])
	}
	wav, rec := recording(t, "fullmouth-joe")
	p := open(t, withMic(t, wav), bases[0]+"/settings")
	p.speaksTo(bases[0])
	p.within(2*time.Minute, "ten seconds were recorded", fmt.Sprintf(`%s.uplink.ring.head > %d`, ear, 10*speech.Rate))
	nodes[0].Kill()
	killed := time.Now()
	eval[string](p, session+`.act([{verb: "remark", text: "the first node is gone"}], "remark")`)
	p.until("the page is at the other node", ear+`.uplink.state === "open" && `+session+`.online`)
	t.Logf("the page went on after %.1f s", time.Since(killed).Seconds())
	p.within(2*time.Minute, "half a minute was recorded", fmt.Sprintf(`%s.uplink.ring.head > %d`, ear, 32*speech.Rate))
	eval[bool](p, ear+`.mic.stop(), true`)
	p.within(2*time.Minute, "all of it was taken", ear+`.uplink.acked === `+ear+`.uplink.ring.head && !`+session+`.waiting.length`)
	recorded := float64(eval[int](p, ear+`.uplink.ring.head`)) / speech.Rate
	if n := eval[int](p, ear+`.uplink.lost`); n != 0 {
		t.Errorf("%d samples were given up", n)
	}
	eval[bool](p, ear+`.off(), true`)
	p.until("the microphone is off", `!`+session+`.mic?.on`)
	// Without the microphone the next screen comes from the node that answers.
	eval[bool](p, `setTimeout(() => document.querySelector("ls-app").go("/"), 10), true`)
	time.Sleep(time.Second) // what asks a page that is leaving gets an error
	p.until("the page comes from the other node", `location.origin === "`+bases[1]+`" && document.querySelector("ls-patients")`)
	nodes[1].Stop()

	remarks := 0
	for _, e := range enteredOnce(t, rec, recorded, first, store.WithDatabase(url)) {
		if e.Kind == chart.KindRemark && strings.Contains(e.Text, "the first node is gone") {
			remarks++
		}
	}
	if remarks != 1 {
		t.Errorf("what was typed while no node answered is there %d times", remarks)
	}
}
