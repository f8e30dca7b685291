package main

import (
	"context"
	"fmt"
	"strings"
)

// command is one subcommand.
type command struct {
	name string
	// args names what stands behind the flags, such as "DIR"; all of it is
	// needed, but what stands in brackets.
	args string
	// line says what it does, for the overview; empty hides it there.
	line string
	// text tells the rest, for its manual.
	text string
	// configured: the settings are also read from the environment and a file.
	configured bool
	settings   []setting
	// check looks at settings that must fit each other; nil if none must.
	check func(origins) misuse
	run   func(context.Context, call) error
}

// commands is the table, in the order of the overview. Each call makes it anew,
// with settings of its own.
func commands() []command {
	return []command{
		demoCommand(),
		nodeCommand(),
		hubCommand(),
		importCommand(),
		statusCommand(),
		backupCommand(),
		restoreCommand(),
		rebuildCommand(),
		benchCommand(),
		examineCommand(),
		versionCommand(),
		helpCommand(),
	}
}

// find gives the command of that name. Habits of other programs, --help, -h and
// --version, are understood.
func find(name string) (command, bool) {
	name = strings.TrimLeft(name, "-")
	if name == "h" {
		name = "help"
	}
	for _, cmd := range commands() {
		if cmd.name == name {
			return cmd, true
		}
	}
	return command{}, false
}

func helpCommand() command {
	return command{
		name: "help", args: "[COMMAND]",
		line: "tell what a command does and what can be set",
		run:  help,
	}
}

func help(_ context.Context, c call) error {
	if len(c.args) == 0 {
		_, err := fmt.Fprint(c.stdout, overview())
		return err
	}
	cmd, ok := find(c.args[0])
	if !ok {
		return misuse{fmt.Sprintf("%q is not a command; bothy help lists them.", c.args[0])}
	}
	_, err := fmt.Fprint(c.stdout, manual(cmd))
	return err
}

// overview is the short help.
func overview() string {
	var b strings.Builder
	b.WriteString("bothy keeps the pre-use checks and defects of plant on sites without coverage.\n\n")
	for _, cmd := range commands() {
		if cmd.line != "" {
			fmt.Fprintf(&b, "  bothy %-9s %s\n", cmd.name, cmd.line)
		}
	}
	b.WriteString("\nbothy help COMMAND tells more.\n")
	return b.String()
}

// manual is all that there is to know of one command.
func manual(cmd command) string {
	var b strings.Builder
	b.WriteString("bothy " + cmd.name)
	if len(cmd.settings) > 0 {
		b.WriteString(" [--SETTING VALUE ...]")
	}
	if cmd.args != "" {
		b.WriteString(" " + cmd.args)
	}
	b.WriteString("\n")
	if cmd.text != "" {
		b.WriteString("\n" + cmd.text + "\n")
	}
	if len(cmd.settings) > 0 {
		b.WriteString("\nSettings:\n")
	}
	for _, s := range cmd.settings {
		fmt.Fprintf(&b, "  --%-13s %s\n", s.flag(), s.about())
	}
	if cmd.configured {
		b.WriteString(layersText)
	}
	return b.String()
}

const layersText = `  --config        a YAML file with any of these, under names such as ask_every

A setting may stand in the file (ask_every), in the environment (BOTHY_ASK_EVERY)
or in a flag (--ask-every); a flag beats the environment, which beats the file. A
list is written with commas, or as a list in the file.
`
