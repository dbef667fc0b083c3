package outside

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers/gorillamux"
)

// sources is the text of the package that answers requests.
func sources(t *testing.T) string {
	t.Helper()
	files, err := filepath.Glob("../../web/*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	var all bytes.Buffer
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(b)
	}
	return all.String()
}

// Every route of the service stands in docs/openapi.json, and nothing else; kin-openapi finds the file in order.
func TestEveryRouteIsDescribed(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromFile("../../docs/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		t.Error(err)
	}
	there := map[string]bool{}
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			if !strings.HasPrefix(path, "/fhir/") {
				there[method+" "+path] = true
			}
		}
	}
	routes := regexp.MustCompile(`"((?:GET|POST|PUT|DELETE) /api/[^"]*)"`).FindAllStringSubmatch(sources(t), -1)
	if len(routes) < 40 {
		t.Fatalf("%d routes found", len(routes))
	}
	seen := map[string]bool{}
	for _, r := range routes {
		if seen[r[1]] {
			continue
		}
		seen[r[1]] = true
		if !there[r[1]] {
			t.Errorf("%s is not in docs/openapi.json: describe it there under paths, as the others are", r[1])
		}
		delete(there, r[1])
	}
	for r := range there {
		t.Errorf("docs/openapi.json has %s, which the service has not", r)
	}
}

// The security that docs/openapi.json gives an address is the one of the service: which key opens it, and whether anybody may ask.
func TestSecurityIsDescribed(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromFile("../../docs/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	src := sources(t)
	scopes := map[string]string{"ReadPatients": "patients:read", "WritePatients": "patients:write", "ReadExams": "exams:read", "TakeOut": "export", "RunHooks": "webhooks"}
	opens, fhir := map[string]string{}, ""
	for _, m := range regexp.MustCompile(`"([A-Z]+ /api/[^"]*|/fhir/)":\s+practice\.(\w+),`).FindAllStringSubmatch(src, -1) {
		if scopes[m[2]] == "" {
			t.Fatalf("%s takes the scope %s, which is not known here", m[1], m[2])
		}
		opens[m[1]] = scopes[m[2]]
		if m[1] == "/fhir/" {
			fhir = scopes[m[2]]
		}
	}
	if len(opens) < 20 || fhir == "" {
		t.Fatalf("%d addresses with scopes found", len(opens))
	}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			want := opens[method+" "+path]
			if strings.HasPrefix(path, "/fhir/") {
				want = fhir
			}
			if op.Security == nil {
				t.Errorf("%s %s says nothing of security", method, path)
				continue
			}
			key := false
			for _, alternative := range *op.Security {
				_, has := alternative["key"]
				key = key || has
			}
			if scope, _ := op.Extensions["x-scope"].(string); scope != want || key != (want != "") {
				t.Errorf("%s %s: x-scope %q and key %v, the service has %q", method, path, scope, key, want)
			}
			anybody := strings.Contains(src, `{"`+method+" "+path+`", everybody, `) && !strings.HasSuffix(path, "/password") && !strings.HasSuffix(path, "/code") && !strings.Contains(path, "/passkeys") // these ask whose it is
			if open := len(*op.Security) == 0; open != anybody {
				t.Errorf("%s %s: docs/openapi.json lets anybody in: %v, the service: %v", method, path, open, anybody)
			}
		}
	}
}

// Every event and every fault that goes over the streams stands in docs/asyncapi.json, whose references lead somewhere.
func TestEveryMessageIsDescribed(t *testing.T) {
	b, err := os.ReadFile("../../docs/asyncapi.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Channels map[string]struct {
			Address  string
			Messages map[string]struct{ Payload json.RawMessage }
		}
		Operations map[string]struct {
			Channel struct {
				Ref string `json:"$ref"`
			}
		}
	}
	if err := json.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	src := sources(t)
	for _, m := range regexp.MustCompile(`event: (\w+)`).FindAllStringSubmatch(src, -1) {
		if _, ok := doc.Channels["changes"].Messages[m[1]]; !ok {
			t.Errorf("event %s is not in docs/asyncapi.json", m[1])
		}
	}
	for name, c := range doc.Channels {
		if !strings.Contains(src, "GET "+c.Address+`"`) {
			t.Errorf("channel %s: the service has no %s", name, c.Address)
		}
	}
	for name, o := range doc.Operations {
		if _, ok := doc.Channels[strings.TrimPrefix(o.Channel.Ref, "#/channels/")]; !ok {
			t.Errorf("operation %s leads to %s, which is not there", name, o.Channel.Ref)
		}
	}
	for _, kind := range []string{"speaks", "spoke", "end", "next", "error"} {
		for _, channel := range []string{"sound", "trial", "practise"} {
			if _, ok := doc.Channels[channel].Messages[kind]; !ok {
				t.Errorf("channel %s has no message %s", channel, kind)
			}
		}
	}
}

// What the running service answers has the shape that docs/openapi.json gives it, judged by kin-openapi.
func TestAnswersAsDescribed(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromFile("../../docs/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	url, _, exams := invented(t)
	doc.Servers = openapi3.Servers{{URL: strings.TrimSuffix(url, "/")}}
	router, err := gorillamux.NewRouter(doc)
	if err != nil {
		t.Fatal(err)
	}
	ask := func(method, path, body string, want int) []byte {
		t.Helper()
		req, err := http.NewRequest(method, url+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if body != "" {
			req.Header.Set("Content-Type", "application/json")
		}
		route, params, err := router.FindRoute(req)
		if err != nil {
			t.Fatalf("%s %s: %v", method, path, err)
		}
		res, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != want {
			t.Fatalf("%s %s: %s, want %d, %v: %.300s", method, path, res.Status, want, err, b)
		}
		if !strings.HasPrefix(res.Header.Get("Content-Type"), "application/json") {
			return b
		}
		in := &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route}
		out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: res.StatusCode, Header: res.Header, Body: io.NopCloser(bytes.NewReader(b))}
		if err := openapi3filter.ValidateResponse(context.Background(), out); err != nil {
			t.Errorf("%s %s: %.600v", method, path, err)
		}
		return b
	}
	var patients []struct{ ID string }
	if err := json.Unmarshal(ask("GET", "api/patients", "", 200), &patients); err != nil || len(patients) < 6 {
		t.Fatal(err)
	}
	p, x := patients[0].ID, exams[0]
	for _, path := range []string{"api/about", "api/settings", "api/due", "api/clips", "api/examiners", "api/patients/" + p, "api/patients/" + p + "/course", "api/exams/" + x, "api/exams/" + x + "/visit",
		"api/exams/" + x + "/findings", "api/exams/" + x + "/compare", "api/exams/" + x + "/plan", "api/exams/" + x + "/inputs", "api/exams/" + x + "/clips", "api/exams/" + x + "/history?tooth=16&site=DB"} {
		ask("GET", path, "", 200)
	}
	ask("GET", "api/programs", "", 200)
	ask("POST", "api/programs", `{"name":"records","scopes":["export","nosuch"]}`, 409)
	var made struct{ ID, Key string }
	if err := json.Unmarshal(ask("POST", "api/programs", `{"name":"records","scopes":["patients:read","webhooks"],"ends":""}`, 200), &made); err != nil || made.Key == "" {
		t.Fatal(err)
	}
	ask("DELETE", "api/programs/"+made.ID, "", 200)
	var hook struct{ ID, Secret string }
	if err := json.Unmarshal(ask("POST", "api/hooks", `{"url":"http://127.0.0.1:9/nobody","events":["exam.signed"],"details":false}`, 200), &hook); err != nil || hook.Secret == "" {
		t.Fatal(err)
	}
	for _, of := range []string{"POST api/hooks/" + hook.ID + "/try", "GET api/hooks", "GET api/hooks/" + hook.ID + "/letters", "POST api/hooks/" + hook.ID + "/again", "DELETE api/hooks/" + hook.ID} {
		method, path, _ := strings.Cut(of, " ")
		ask(method, path, "", 200)
	}
	ask("POST", "api/hooks", `{"url":"http://192.0.2.7/","events":["exam.signed"]}`, 409)
	ask("GET", "api/patients/nosuch", "", 404)
	ask("POST", "api/patients", `{"name":""}`, 422)
	ask("POST", "api/patients", `{"name":"Rosa Winkel","born":"1980"}`, 200)
	ask("POST", "api/exams", `{"patient":"`+p+`","earlier":"","numbering":"fdi","path":"arch","id":"described"}`, 200)
	ask("POST", "api/exams/described/words", `{"text":"three two four","id":"one"}`, 200)
	ask("POST", "api/exams/described/do", `{"id":"two","command":{"acts":[{"verb":"next"}]}}`, 200)
	// The stream of changes begins with hello.
	res, err := client.Get(url + "api/exams/described/changes")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	for lines := bufio.NewScanner(res.Body); lines.Scan(); {
		if event, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
			if event != "hello" {
				t.Errorf("the first event is %s", event)
			}
			break
		}
	}
}
