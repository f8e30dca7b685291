package main

import (
	"bytes"
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// sample is a command with one setting of each kind.
type sample struct {
	name  string
	sites []string
	every time.Duration
	space uint64
}

func (s *sample) command() command {
	pass := func(string) error { return nil }
	return command{name: "sample", configured: true, settings: []setting{
		{name: "name", missing: "name it", set: text(&s.name)},
		{name: "sites", list: true, set: list(&s.sites, pass)},
		{name: "ask_every", fallback: "15m", set: duration(&s.every, time.Second, time.Hour)},
		{name: "free_space", fallback: "256MB", set: size(&s.space)},
	}}
}

func environment(vars map[string]string) func(string) string {
	return func(name string) string { return vars[name] }
}

func write(t *testing.T, name, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestLaterLayersBeatEarlierOnes(t *testing.T) {
	file := write(t, "cabin.yaml", "name: file\nask_every: 2m\nsites: [raven, heron]\n")
	for _, test := range []struct {
		what string
		env  map[string]string
		args []string
		want sample
	}{
		{"defaults", nil, []string{"--name", "flag"}, sample{"flag", nil, 15 * time.Minute, 256 << 20}},
		{"file", nil, []string{"--config", file}, sample{"file", []string{"raven", "heron"}, 2 * time.Minute, 256 << 20}},
		{"environment over file", map[string]string{"BOTHY_CONFIG": file, "BOTHY_NAME": "env", "BOTHY_SITES": "gull, tern"}, nil,
			sample{"env", []string{"gull", "tern"}, 2 * time.Minute, 256 << 20}},
		{"flag over environment", map[string]string{"BOTHY_NAME": "env", "BOTHY_ASK_EVERY": "3m"}, []string{"--config=" + file, "--name=flag", "--free-space", "1GB"},
			sample{"flag", []string{"raven", "heron"}, 3 * time.Minute, 1 << 30}},
		{"flag names another file than the environment", map[string]string{"BOTHY_CONFIG": "no-such-file"}, []string{"--config", file},
			sample{"file", []string{"raven", "heron"}, 2 * time.Minute, 256 << 20}},
		{"a list grows by flags, over the file's", nil, []string{"--config", file, "--sites", "gull", "--sites", "tern,auk"},
			sample{"file", []string{"gull", "tern", "auk"}, 2 * time.Minute, 256 << 20}},
		{"an empty flag takes the file's list away", nil, []string{"--config", file, "--sites="}, sample{"file", nil, 2 * time.Minute, 256 << 20}},
		{"a wrong value that another beats does no harm", map[string]string{"BOTHY_ASK_EVERY": "often"}, []string{"--name=a", "--ask-every=4m"},
			sample{"a", nil, 4 * time.Minute, 256 << 20}},
	} {
		t.Run(test.what, func(t *testing.T) {
			var got sample
			if g := got.command().read(test.args, environment(test.env)); len(g.bad) > 0 {
				t.Fatal(g.bad)
			}
			if got.name != test.want.name || !slices.Equal(got.sites, test.want.sites) || got.every != test.want.every || got.space != test.want.space {
				t.Errorf("got %+v, want %+v", got, test.want)
			}
		})
	}
}

func TestOriginsSayWhereAValueStands(t *testing.T) {
	file := write(t, "cabin.yaml", "# a comment\nname: file\nask_every: 2m\n")
	var s sample
	g := s.command().read([]string{"--free-space=1GB"}, environment(map[string]string{"BOTHY_CONFIG": file, "BOTHY_NAME": "env"}))
	want := origins{"name": "BOTHY_NAME", "ask_every": file + " line 3: ask_every", "free_space": "--free-space"}
	if !maps.Equal(g.where, want) {
		t.Errorf("got %v, want %v", g.where, want)
	}
}

// A sentence for everything that can be wrong with a call.
func TestRefusals(t *testing.T) {
	nodeNeeds := []string{"--name", "ravens-1", "--sites", "ravens-quarry", "--dir", "unused"}
	hubNeeds := []string{"--dir", "unused"}
	node := func(args ...string) []string { return slices.Concat([]string{"node"}, nodeNeeds, args) }
	hub := func(args ...string) []string { return slices.Concat([]string{"hub"}, hubNeeds, args) }
	const nodeKeys = "name, sites, hub, tls_ca, ask_every, dir, http, grpc, tls_cert, tls_key, free_space, log_format, log_level"
	for _, test := range []struct {
		what string
		args []string
		env  map[string]string
		file string // content of cabin.yaml, given by BOTHY_CONFIG
		want []string
	}{
		{what: "no such command", args: []string{"serve"}, want: []string{
			`bothy: "serve" is not a command; bothy help lists them.`}},
		{what: "help of no such command", args: []string{"help", "serve"}, want: []string{
			`bothy help: "serve" is not a command; bothy help lists them.`}},
		{what: "nothing given", args: []string{"node"}, want: []string{
			`bothy node: name is missing; name the cabin with --name, BOTHY_NAME or name in the file.`,
			`bothy node: sites is missing; name the sites that it carries with --sites, BOTHY_SITES or sites in the file.`,
			`bothy node: dir is missing; name the directory that holds everything it keeps with --dir, BOTHY_DIR or dir in the file.`}},
		{what: "an empty value is none", args: []string{"node", "--name=", "--sites", "a", "--dir", "d"}, want: []string{
			`bothy node: name is missing; name the cabin with --name, BOTHY_NAME or name in the file.`}},
		{what: "flag twice", args: node("--name", "ravens-2"), want: []string{
			`bothy node: --name is given twice, as "ravens-1" and as "ravens-2"; give it once.`}},
		{what: "unknown flag", args: node("--lanes", "3"), want: []string{
			`bothy node: --lanes is not a flag of bothy node; allowed are --name, --sites, --hub, --tls-ca, --ask-every, --dir, --http, --grpc, --tls-cert, --tls-key, --free-space, --log-format, --log-level.`}},
		{what: "flag of a tool without settings", args: []string{"version", "--long"}, want: []string{
			`bothy version: --long is not a flag of bothy version; allowed are none.`}},
		{what: "flag without value", args: node("--http"), want: []string{
			`bothy node: --http has no value; write --http VALUE.`}},
		{what: "flag before a flag", args: []string{"node", "--name", "--sites", "a", "--dir", "d"}, want: []string{
			`bothy node: --name has no value; write --name VALUE.`,
			`bothy node: name is missing; name the cabin with --name, BOTHY_NAME or name in the file.`}},
		{what: "too many arguments", args: node("here"), want: []string{
			`bothy node: "here" is one argument too many; the form is bothy node.`}},
		{what: "too few arguments", args: []string{"examine-view"}, want: []string{
			`bothy examine-view: DIR is missing; the form is bothy examine-view DIR.`}},
		{what: "id", args: []string{"node", "--name", "Ravens", "--sites", "a,b c", "--dir", "d"}, want: []string{
			`bothy node: --name is "Ravens", but has 'R'; allowed are lower-case letters a to z, digits, dots and hyphens.`,
			`bothy node: --sites is "a,b c", but "b c" in it has ' '; allowed are lower-case letters a to z, digits, dots and hyphens.`}},
		{what: "list with a gap", args: []string{"node", "--name", "a", "--sites", "a,,b", "--dir", "d"}, want: []string{
			`bothy node: --sites is "a,,b", but "" in it is missing; allowed are lower-case letters a to z, digits, dots and hyphens.`}},
		{what: "list with a repetition", args: node("--hub", "nats://10.0.0.1:4222,nats://10.0.0.1:4222"), want: []string{
			`bothy node: --hub is "nats://10.0.0.1:4222,nats://10.0.0.1:4222", but "nats://10.0.0.1:4222" stands there twice.`}},
		{what: "address of the hub", args: node("--hub", "http://hub.example"), want: []string{
			`bothy node: --hub is "http://hub.example", but "http://hub.example" in it is not an address such as tls://hub.example:4222 or nats://127.0.0.1:4222.`}},
		{what: "address to listen on", args: node("--http", "8080", "--grpc", ":eighty"), want: []string{
			`bothy node: --http is "8080", but it must be an address to listen on, such as 127.0.0.1:8080, or :8080 for all addresses of this machine.`,
			`bothy node: --grpc is ":eighty", but it must be an address to listen on, such as 127.0.0.1:8080, or :8080 for all addresses of this machine.`}},
		{what: "duration", args: node("--ask-every", "often"), want: []string{
			`bothy node: --ask-every is "often", but it must be a time from 1s to 24h, such as 90s, 15m or 1h30m.`}},
		{what: "duration out of range", args: hub("--silent-after", "10s"), want: []string{
			`bothy hub: --silent-after is "10s", but it must be a time from 1m to 8760h, such as 90s, 15m or 1h30m.`}},
		{what: "size", args: node("--free-space", "256"), want: []string{
			`bothy node: --free-space is "256", but it must be a whole number with KB, MB, GB or TB (of 1024 each), such as 256MB, or 0.`}},
		{what: "choice", args: node(), env: map[string]string{"BOTHY_LOG_LEVEL": "loud", "BOTHY_LOG_FORMAT": "xml"}, want: []string{
			`bothy node: BOTHY_LOG_FORMAT is "xml", but it must be one of text, json.`,
			`bothy node: BOTHY_LOG_LEVEL is "loud", but it must be one of debug, info, warn, error.`}},
		{what: "a value in the file", args: node(), file: "log_level: info\nask_every: 0s\n", want: []string{
			`bothy node: cabin.yaml line 2: ask_every is "0s", but it must be a time from 1s to 24h, such as 90s, 15m or 1h30m.`}},
		{what: "unknown key in the file", args: node(), file: "log_level: info\n\nsite: a\n", want: []string{
			`bothy node: cabin.yaml line 3: "site" is not a setting of bothy node; allowed are ` + nodeKeys + `.`}},
		{what: "a file cannot name another", args: node(), file: "config: other.yaml\n", want: []string{
			`bothy node: cabin.yaml line 1: "config" is not a setting of bothy node; allowed are ` + nodeKeys + `.`}},
		{what: "key twice in the file", args: node(), file: "http: :1\nhttp: :2\n", want: []string{
			`bothy node: cabin.yaml line 2: http stands there twice; give it once.`}},
		{what: "no value in the file", args: node(), file: "http:\n", want: []string{
			`bothy node: cabin.yaml line 1: http must have one value behind it, on the same line.`}},
		{what: "a list where one value is taken", args: node(), file: "http: [a, b]\n", want: []string{
			`bothy node: cabin.yaml line 1: http must have one value behind it, on the same line.`}},
		{what: "a mapping where a list is taken", args: node(), file: "hub:\n  url: nats://a\n", want: []string{
			`bothy node: cabin.yaml line 1: hub must be a list of texts, or one text with commas.`}},
		{what: "a list of mappings", args: node(), file: "hub:\n- url: nats://a\n", want: []string{
			`bothy node: cabin.yaml line 1: hub must be a list of texts, or one text with commas.`}},
		{what: "not a mapping", args: node(), file: "http\n", want: []string{
			`bothy node: cabin.yaml line 1: this is not a setting; write them as name: value, one a line.`}},
		{what: "a second document", args: node(), file: "http: :1\n---\nhttp: :2\n", want: []string{
			`bothy node: cabin.yaml cannot be read as YAML: it holds a second document; one is allowed.`}},
		{what: "not YAML", args: node(), file: "http: :1\n\thttp: :2\n", want: []string{
			`bothy node: cabin.yaml cannot be read as YAML: line 2: found a tab character that violates indentation.`}},
		{what: "no such file", args: node("--config", "none.yaml"), want: []string{
			`bothy node: The file of settings cannot be read: open none.yaml: no such file or directory.`}},
		{what: "certificate without key", args: node("--tls-cert", "cert.pem"), want: []string{
			`bothy node: --tls-cert is given and tls_key is not; a certificate and its private key come together.`}},
		{what: "key without certificate", args: hub(), env: map[string]string{"BOTHY_TLS_KEY": "key.pem"}, want: []string{
			`bothy hub: BOTHY_TLS_KEY is given and tls_cert is not; a certificate and its private key come together.`}},
		{what: "certificate that is not there", args: hub("--tls-cert", "cert.pem", "--tls-key", "key.pem"), want: []string{
			`bothy hub: --tls-cert and --tls-key cannot be used: read the certificate cert.pem with the key key.pem: open cert.pem: no such file or directory.`}},
		{what: "authority that is not there", args: node("--tls-ca", "ca.pem"), want: []string{
			`bothy node: --tls-ca cannot be used: read the certificates that vouch for the hub: open ca.pem: no such file or directory.`}},
		{what: "two brokers", args: hub("--nats", ":4222", "--nats-url", "nats://10.0.0.1:4222"), want: []string{
			`bothy hub: --nats and --nats-url are both given; a hub has a broker of its own or uses another, not both.`}},
		{what: "copies of the own broker", args: hub("--copies", "3"), want: []string{
			`bothy hub: --copies is given and nats_url is not; it is about a broker that is not the hub's own.`}},
		{what: "address of the broker", args: hub("--nats-url", "10.0.0.1:4222"), want: []string{
			`bothy hub: --nats-url is "10.0.0.1:4222", but "10.0.0.1:4222" in it is not an address such as tls://hub.example:4222 or nats://127.0.0.1:4222.`}},
		{what: "copies", args: hub("--copies", "2", "--nats-url", "nats://10.0.0.1:4222"), want: []string{
			`bothy hub: --copies is "2", but it must be one of 1, 3.`}},
		{what: "address of a tool", args: []string{"status", "--node", "127.0.0.1:8080"}, want: []string{
			`bothy status: --node is "127.0.0.1:8080", but it must be an address such as http://127.0.0.1:8080.`}},
		{what: "nobody who imports", args: []string{"import", "."}, want: []string{
			`bothy import: person is missing; name the person of the office who acts with --person.`}},
		{what: "two hubs to import into", args: []string{"import", ".", "--dir", "unused", "--person", "dora-pike"}, want: []string{
			`bothy import: --dir and --person are both given; a hub that does not run is loaded by the program itself, a running one in a person's name.`}},
		{what: "tools take flags only", args: []string{"rebuild"}, env: map[string]string{"BOTHY_DIR": "d"}, want: []string{
			`bothy rebuild: dir is missing; name the data directory of a node or hub that does not run with --dir.`}},
		{what: "everything at once", args: []string{"node", "--lanes=3", "--ask-every", "never"}, file: "site: a\nname: A\n", want: []string{
			`bothy node: --lanes is not a flag of bothy node; allowed are --name, --sites, --hub, --tls-ca, --ask-every, --dir, --http, --grpc, --tls-cert, --tls-key, --free-space, --log-format, --log-level.`,
			`bothy node: cabin.yaml line 1: "site" is not a setting of bothy node; allowed are ` + nodeKeys + `.`,
			`bothy node: cabin.yaml line 2: name is "A", but has 'A'; allowed are lower-case letters a to z, digits, dots and hyphens.`,
			`bothy node: sites is missing; name the sites that it carries with --sites, BOTHY_SITES or sites in the file.`,
			`bothy node: --ask-every is "never", but it must be a time from 1s to 24h, such as 90s, 15m or 1h30m.`,
			`bothy node: dir is missing; name the directory that holds everything it keeps with --dir, BOTHY_DIR or dir in the file.`}},
	} {
		t.Run(test.what, func(t *testing.T) {
			t.Chdir(t.TempDir())
			env := maps.Clone(test.env)
			if test.file != "" {
				env = map[string]string{"BOTHY_CONFIG": "cabin.yaml"}
				if err := os.WriteFile("cabin.yaml", []byte(test.file), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			// What is taken against our expectation must not run on.
			ctx, cancel := context.WithCancel(t.Context())
			cancel()
			var stdout, stderr bytes.Buffer
			code := run(ctx, test.args, environment(env), &stdout, &stderr)
			if code != misled {
				t.Errorf("exit code %d, want %d", code, misled)
			}
			got := strings.Split(strings.TrimSuffix(stderr.String(), "\n"), "\n")
			if !slices.Equal(got, test.want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(test.want, "\n"))
			}
			if stdout.Len() > 0 {
				t.Errorf("stdout has %q", stdout.String())
			}
			if _, err := os.Stat("unused"); err == nil {
				t.Error("the data directory was made")
			}
		})
	}
}

func TestSizesAreIn1024s(t *testing.T) {
	for text, want := range map[string]uint64{
		"0": 0, "0MB": 0, "1KB": 1 << 10, "256MB": 256 << 20, "256 mb": 256 << 20, "3GB": 3 << 30, "2TB": 2 << 40, "16777215TB": 16777215 << 40,
	} {
		if got, err := parseSize(text); err != nil || got != want {
			t.Errorf("%q: got %d, %v, want %d", text, got, err, want)
		}
	}
	for _, text := range []string{"", "MB", "256", "-1MB", "1.5GB", "1PB", "1MBit", "16777216TB", "99999999999999999999KB", "1 0MB"} {
		if got, err := parseSize(text); err == nil {
			t.Errorf("%q was taken as %d", text, got)
		}
	}
}

func TestDurationsAreSpokenShort(t *testing.T) {
	for want, d := range map[string]time.Duration{"1s": time.Second, "10s": 10 * time.Second, "15m": 15 * time.Minute, "24h": 24 * time.Hour, "1h30m": 90 * time.Minute, "1m10s": 70 * time.Second} {
		if got := spoken(d); got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}

// Whatever a file holds, it is either refused in a sentence or read as what it
// says; it never ends the program.
func FuzzFile(f *testing.F) {
	for _, seed := range []string{"", "name: a", "sites: [a, b]", "name: &x a\nsites: *x", "? {a: b}\n: c", "- a", "a: !!binary x", "---\n---\n", "%YAML 1.2\n---\nname: a"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		var s sample
		var bad misuse
		out := s.command().parseFile("file", content, &bad)
		for name, v := range out {
			if !strings.HasSuffix(v.where, ": "+name) {
				t.Errorf("%s stands at %q", name, v.where)
			}
		}
		for _, sentence := range bad {
			if !strings.HasPrefix(sentence, "file ") || !strings.HasSuffix(sentence, ".") {
				t.Errorf("no sentence: %q", sentence)
			}
		}
	})
}
