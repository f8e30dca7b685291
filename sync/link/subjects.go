package link

import (
	"encoding/hex"
	"strings"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// The subjects. They are short because each message repeats them.
const (
	upPrefix    = "bothy.up."
	everyUp     = upPrefix + "*"
	pullSubject = "bothy.pull"
	bellPrefix  = "bothy.bell."
	bellForAll  = bellPrefix + "all"
	everyBell   = bellPrefix + ">"
	inboxPrefix = "_INBOX."
)

func upSubject(r clock.Replica) string { return upPrefix + r.String() }

// upReplica is the replica in a subject of the ledger, 0 if it names none.
func upReplica(subject string) clock.Replica {
	name, ok := strings.CutPrefix(subject, upPrefix)
	r, err := clock.ParseReplica(name)
	if !ok || err != nil {
		return 0
	}
	return r
}

// inboxOf is under what a replica hears answers. No other may listen there.
func inboxOf(r clock.Replica) string { return inboxPrefix + r.String() + "." }

// bellSubject names a site in one token, as it is where that is possible. A site
// called "all" rings everybody, which costs them an empty Pull.
func bellSubject(site string) string {
	if site != "" && strings.Trim(site, plain) == "" {
		return bellPrefix + site
	}
	return bellPrefix + "~" + hex.EncodeToString([]byte(site))
}

// plain are the bytes that stand for themselves in a bell's subject.
const plain = "abcdefghijklmnopqrstuvwxyz0123456789-_ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// bells are the subjects on which news of the sites is rung; nil means any site.
func bells(sites []string) []string {
	if sites == nil {
		return []string{everyBell}
	}
	out := []string{bellForAll}
	for _, s := range sites {
		out = append(out, bellSubject(s))
	}
	return out
}
