package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"html/template"
	"net/http"
)

// Authority is the practice's own certificate authority, which devices have to be told to trust.
type Authority interface {
	PEM() []byte
	DER() []byte
	Fingerprint() string
	Names() []string
}

const trustStyle = `body{font:17px/1.5 system-ui,sans-serif;max-width:42rem;margin:2rem auto;padding:0 1rem;color:#1c2733;background:#fff}code{overflow-wrap:anywhere;font-size:.9em}h1{font-size:1.5rem}h2{font-size:1.1rem;margin-top:1.6rem}`

var trustPage = template.Must(template.New("trust").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Trust this service – Leadsman</title><style>` + trustStyle + `</style></head>
<body><h1>{{if .Plain}}This service speaks HTTPS only{{else}}Have a device trust this service{{end}}</h1>
{{if .Plain}}<p>What is said here would be readable on its way, and browsers open no microphone without encryption. Open <a href="{{.URL}}">{{.URL}}</a>.</p>{{end}}
{{if .CA}}<p>The practice vouches for this service with a certificate of its own. Each device has to be told once to trust it; until then its browser warns and opens no microphone.</p>
<ol><li>Fetch the certificate: <a href="/trust/authority.crt">authority.crt</a> (for most devices), <a href="/trust/authority.pem">authority.pem</a> (the same as text).</li>
<li>Compare its SHA-256 fingerprint with the one that whoever runs the service reads out; on that computer <code>leadsman tls show</code> prints it. If they differ, somebody is in between: stop.<br><code>{{.Fingerprint}}</code></li>
<li>Have the device trust it, as below. It can vouch for nothing but: {{range $i, $n := .Names}}{{if $i}}, {{end}}<code>{{$n}}</code>{{end}}.</li>
<li>Open <a href="{{.URL}}">{{.URL}}</a>.</li></ol>
<h2>Windows</h2><p>Open the file, “Install Certificate”, “Local Machine”, “Place all certificates in the following store”, “Trusted Root Certification Authorities”. Then start the browser again.</p>
<h2>macOS</h2><p>Open the file: it goes into Keychain Access. Open it there, under “Trust” choose “Always Trust” for SSL.</p>
<h2>iPhone, iPad</h2><p>Fetch the file with the device's own browser and allow the profile. Settings, General, VPN &amp; Device Management: install it. Then Settings, General, About, Certificate Trust Settings: switch it on.</p>
<h2>Android</h2><p>Fetch the file. Settings, Security, More security settings, Encryption &amp; credentials, Install a certificate, CA certificate. Names of these menus differ by maker.</p>
<h2>ChromeOS</h2><p>Browser settings, Privacy and security, Security, Manage certificates, Authorities, Import: trust it for websites.</p>
<h2>Linux</h2><p>As root: copy authority.pem to <code>/usr/local/share/ca-certificates/leadsman.crt</code> and run <code>update-ca-certificates</code>. Chromium and Firefox keep lists of their own: import it in their settings under certificates, authorities, for websites.</p>
<h2>Firefox anywhere</h2><p>Settings, Privacy &amp; Security, Certificates, View Certificates, Authorities, Import: trust it to identify websites.</p>
<p>Take the certificate off again from devices that leave the practice.</p>{{end}}
</body></html>
`))

var trustPolicy = func() string {
	sum := sha256.Sum256([]byte(trustStyle))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}()

// trust answers with the page that says how a device is told, and with the certificate itself.
func trust(w http.ResponseWriter, r *http.Request, ca Authority, plain bool) {
	h := w.Header()
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", trustPolicy)
	file := func(media string, b []byte) {
		h.Set("Content-Type", media)
		h.Set("Content-Disposition", "attachment")
		_, _ = w.Write(b)
	}
	data := struct {
		Plain, CA        bool
		URL, Fingerprint string
		Names            []string
	}{Plain: plain, URL: "https://" + r.Host + "/"}
	status := http.StatusOK
	if plain {
		status = http.StatusUpgradeRequired
	}
	if ca != nil {
		switch r.URL.Path {
		case "/trust/authority.crt":
			file("application/x-x509-ca-cert", ca.DER())
			return
		case "/trust/authority.pem":
			file("application/x-pem-file", ca.PEM())
			return
		case "/trust":
			status = http.StatusOK
		}
		data.CA, data.Fingerprint, data.Names = true, ca.Fingerprint(), ca.Names()
	}
	var b bytes.Buffer
	if err := trustPage.Execute(&b, data); err != nil {
		http.Error(w, "the page cannot be written", http.StatusInternalServerError)
		return
	}
	if status == http.StatusUpgradeRequired { // RFC 2817, section 4.2
		h.Set("Upgrade", "TLS/1.3, HTTP/1.1")
		h.Set("Connection", "Upgrade, close")
	}
	h.Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

// Plain answers who comes without encryption to a service that has it: where to go, and nothing else. ca may be nil.
func Plain(ca Authority) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { trust(w, r, ca, true) })
}
