package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"strings"

	"go.yaml.in/yaml/v3"
)

// value is what somebody gave for a setting, and where it stands: "--dir",
// "BOTHY_DIR" or "cabin.yaml line 3: dir".
type value struct{ text, where string }

// layer is what one place gives, by the name of the setting.
type layer map[string]value

// origins says where each setting was given.
type origins map[string]string

// given is what came of reading a call.
type given struct {
	args  []string
	where origins
	help  bool // was asked for; nothing else counts
	bad   misuse
}

// read sets the settings of the command from their layers.
func (cmd command) read(args []string, env func(string) string) (g given) {
	all, config := layer{}, ""
	flags := cmd.readFlags(args, &g)
	if g.help {
		return g
	}
	if cmd.configured {
		config = env(configFlag.variable())
		if v, ok := flags[configFlag.name]; ok {
			config = v.text
		}
	}
	if config != "" {
		maps.Copy(all, cmd.readFile(config, &g.bad))
	}
	if cmd.configured {
		maps.Copy(all, cmd.readEnvironment(env))
	}
	maps.Copy(all, flags)
	cmd.countArgs(&g)
	cmd.set(all, &g)
	return g
}

// configFlag names the file; it is a setting of no command, so that a file
// cannot name another.
var configFlag = setting{name: "config"}

// set gives each setting the value that beats the others, or its default.
func (cmd command) set(all layer, g *given) {
	g.where = origins{}
	for _, s := range cmd.settings {
		v, ok := all[s.name]
		if !ok {
			v.text = s.fallback
		}
		if v.text == "" && s.missing != "" {
			g.bad.add("%s is missing; %s with %s.", s.name, s.missing, cmd.ways(s))
			continue
		}
		if !ok && s.fallback == "" {
			continue
		}
		if ok {
			g.where[s.name] = v.where
		}
		if err := s.set(v.text); err != nil {
			g.bad.add("%s is %q, but %v.", v.where, v.text, err)
		}
	}
	if cmd.check != nil {
		g.bad = append(g.bad, cmd.check(g.where)...)
	}
}

// ways names the places where a setting can be given.
func (cmd command) ways(s setting) string {
	if !cmd.configured {
		return "--" + s.flag()
	}
	return fmt.Sprintf("--%s, %s or %s in the file", s.flag(), s.variable(), s.name)
}

// names lists the command's settings as one place writes them.
func (cmd command) names(write func(setting) string) string {
	var all []string
	for _, s := range cmd.settings {
		all = append(all, write(s))
	}
	if len(all) == 0 {
		return "none"
	}
	return strings.Join(all, ", ")
}

// readFlags reads flags of the forms "--name value" and "--name=value"; the rest
// are arguments. A flag that has a bare value takes none from behind it.
func (cmd command) readFlags(args []string, g *given) layer {
	out := layer{}
	for len(args) > 0 {
		arg := args[0]
		args = args[1:]
		if !strings.HasPrefix(arg, "-") || arg == "-" {
			g.args = append(g.args, arg)
			continue
		}
		name, text, whole := strings.Cut(strings.TrimLeft(arg, "-"), "=")
		if name == "help" || name == "h" {
			g.help = true
			return nil
		}
		s, ok := cmd.flagged(name)
		switch {
		case whole:
		case s.bare != "":
			text, whole = s.bare, true
		case len(args) > 0 && !strings.HasPrefix(args[0], "--"):
			text, args, whole = args[0], args[1:], true
		}
		if !ok {
			g.bad.add("--%s is not a flag of bothy %s; allowed are %s.", name, cmd.name, cmd.names(func(s setting) string { return "--" + s.flag() }))
		} else if !whole {
			g.bad.add("--%s has no value; write --%s VALUE.", name, name)
		} else {
			out.addFlag(s, text, &g.bad)
		}
	}
	return out
}

func (cmd command) flagged(name string) (setting, bool) {
	for _, s := range cmd.settings {
		if s.flag() == name {
			return s, true
		}
	}
	return configFlag, cmd.configured && name == configFlag.name
}

// addFlag takes one more flag: a list grows, anything else is given once.
func (l layer) addFlag(s setting, text string, bad *misuse) {
	where := "--" + s.flag()
	had, twice := l[s.name]
	switch {
	case twice && s.list:
		l[s.name] = value{had.text + "," + text, where}
	case twice:
		bad.add("%s is given twice, as %q and as %q; give it once.", where, had.text, text)
	default:
		l[s.name] = value{text, where}
	}
}

func (cmd command) countArgs(g *given) {
	most := strings.Fields(cmd.args)
	least := 0
	for _, name := range most {
		if !strings.HasPrefix(name, "[") {
			least++
		}
	}
	switch {
	case len(g.args) > len(most):
		g.bad.add("%q is one argument too many; the form is bothy %s.", g.args[len(most)], strings.TrimSpace(cmd.name+" "+cmd.args))
	case len(g.args) < least:
		g.bad.add("%s is missing; the form is bothy %s %s.", most[len(g.args)], cmd.name, cmd.args)
	}
}

// readEnvironment reads the variables that are set and not empty.
func (cmd command) readEnvironment(env func(string) string) layer {
	out := layer{}
	for _, s := range cmd.settings {
		if text := env(s.variable()); text != "" {
			out[s.name] = value{text, s.variable()}
		}
	}
	return out
}

// readFile reads a file of settings. An unknown key is refused: it may be a
// misspelt one that matters.
func (cmd command) readFile(name string, bad *misuse) layer {
	content, err := os.ReadFile(name)
	if err != nil {
		bad.add("The file of settings cannot be read: %v.", err)
		return nil
	}
	return cmd.parseFile(name, content, bad)
}

func (cmd command) parseFile(name string, content []byte, bad *misuse) layer {
	var doc, second yaml.Node
	decoder := yaml.NewDecoder(bytes.NewReader(content))
	err := decoder.Decode(&doc)
	if errors.Is(err, io.EOF) {
		return nil // empty
	}
	if err == nil && !errors.Is(decoder.Decode(&second), io.EOF) {
		err = errors.New("it holds a second document; one is allowed")
	}
	if err != nil {
		bad.add("%s cannot be read as YAML: %s.", name, strings.TrimPrefix(err.Error(), "yaml: "))
		return nil
	}
	root := doc.Content[0]
	if root.Kind != yaml.MappingNode {
		bad.add("%s line %d: this is not a setting; write them as name: value, one a line.", name, root.Line)
		return nil
	}
	out := layer{}
	for i := 0; i+1 < len(root.Content); i += 2 {
		cmd.readPair(name, root.Content[i], root.Content[i+1], out, bad)
	}
	return out
}

// readPair reads one "name: value" of a file.
func (cmd command) readPair(file string, key, node *yaml.Node, out layer, bad *misuse) {
	at := fmt.Sprintf("%s line %d: ", file, key.Line)
	for _, s := range cmd.settings {
		if s.name != key.Value {
			continue
		}
		text, ok := scalars(node, s.list)
		switch _, twice := out[s.name]; {
		case twice:
			bad.add("%s%s stands there twice; give it once.", at, s.name)
		case !ok && s.list:
			bad.add("%s%s must be a list of texts, or one text with commas.", at, s.name)
		case !ok:
			bad.add("%s%s must have one value behind it, on the same line.", at, s.name)
		default:
			out[s.name] = value{text, at + s.name}
		}
		return
	}
	bad.add("%s%q is not a setting of bothy %s; allowed are %s.", at, key.Value, cmd.name, cmd.names(func(s setting) string { return s.name }))
}

// scalars is the text of a plain value, or of a list of them with commas.
func scalars(node *yaml.Node, list bool) (text string, ok bool) {
	switch {
	case node.Kind == yaml.ScalarNode && node.ShortTag() != "!!null":
		return node.Value, true
	case node.Kind != yaml.SequenceNode || !list:
		return "", false
	}
	var all []string
	for _, item := range node.Content {
		if item.Kind != yaml.ScalarNode {
			return "", false
		}
		all = append(all, item.Value)
	}
	return strings.Join(all, ","), true
}
