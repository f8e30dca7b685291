package main

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// setting is one thing that a person can set.
type setting struct {
	// name as in the file: free_space.
	name string
	// fallback is the default, as a person would write it; empty is none.
	fallback string
	// bare is the value of a flag that stands alone; empty if it cannot.
	bare string
	// missing says what to give, where there must be a value: "name the cabin".
	missing string
	// list takes several values; one text holds them with commas between.
	list bool
	// help is what it sets, for the manual.
	help string
	// set takes the value, or says in its error what is allowed. The error
	// follows on "--free-space is "lots", but".
	set func(text string) error
}

func (s setting) flag() string     { return strings.ReplaceAll(s.name, "_", "-") }
func (s setting) variable() string { return "BOTHY_" + strings.ToUpper(s.name) }

// about is the line of the manual.
func (s setting) about() string {
	switch {
	case s.missing != "":
		return s.help + " (needed)"
	case s.fallback != "":
		return fmt.Sprintf("%s (default %s)", s.help, s.fallback)
	}
	return s.help
}

// The kinds of values. Each gives the set of a setting that ends in *to.

func text(to *string) func(string) error {
	return func(text string) error {
		*to = text
		return nil
	}
}

// checked takes a text that passes a check.
func checked(to *string, check func(string) error) func(string) error {
	return func(text string) error {
		*to = text
		return check(text)
	}
}

// list takes several texts that pass a check, each once.
func list(to *[]string, check func(string) error) func(string) error {
	return func(text string) error {
		*to = nil
		if text == "" {
			return nil
		}
		for item := range strings.SplitSeq(text, ",") {
			item = strings.TrimSpace(item)
			if slices.Contains(*to, item) {
				return fmt.Errorf("%q stands there twice", item)
			}
			if err := check(item); err != nil {
				return fmt.Errorf("%q in it %w", item, err)
			}
			*to = append(*to, item)
		}
		return nil
	}
}

// choice takes one of a few words.
func choice(to *string, words ...string) func(string) error {
	return checked(to, func(text string) error {
		if !slices.Contains(words, text) {
			return fmt.Errorf("it must be one of %s", strings.Join(words, ", "))
		}
		return nil
	})
}

// yes takes yes or no.
func yes(to *bool) func(string) error {
	return func(text string) error {
		*to = text == "yes"
		if text != "yes" && text != "no" {
			return errors.New("it must be yes or no")
		}
		return nil
	}
}

// duration takes a time such as 90s, 15m or 1h30m.
func duration(to *time.Duration, least, most time.Duration) func(string) error {
	return func(text string) (err error) {
		if *to, err = time.ParseDuration(text); err != nil || *to < least || *to > most {
			return fmt.Errorf("it must be a time from %s to %s, such as 90s, 15m or 1h30m", spoken(least), spoken(most))
		}
		return nil
	}
}

// spoken is a duration as a person would write it: 15m, not 15m0s.
func spoken(d time.Duration) string {
	s := d.String()
	for _, end := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(s, end) {
			s = s[:len(s)-2]
		}
	}
	return s
}

// size takes a number of bytes such as 256MB.
func size(to *uint64) func(string) error {
	return func(text string) (err error) {
		*to, err = parseSize(text)
		return err
	}
}

// The units of sizes, of 1024 each as disks are watched in, by the bits that
// they shift.
var errSize = errors.New("it must be a whole number with KB, MB, GB or TB (of 1024 each), such as 256MB, or 0")

func parseSize(text string) (uint64, error) {
	unit := strings.TrimLeft(text, "0123456789")
	n, err := strconv.ParseUint(strings.TrimSuffix(text, unit), 10, 64)
	if err != nil {
		return 0, errSize
	}
	shift, ok := map[string]int{"KB": 10, "MB": 20, "GB": 30, "TB": 40}[strings.ToUpper(strings.TrimSpace(unit))]
	if n == 0 && unit == "" {
		return 0, nil
	}
	if !ok || n<<shift>>shift != n {
		return 0, errSize
	}
	return n << shift, nil
}

// address takes host:port to listen on.
func address(to *string) func(string) error {
	return checked(to, func(text string) error {
		_, port, err := net.SplitHostPort(text)
		if err == nil {
			_, err = strconv.ParseUint(port, 10, 16)
		}
		if err != nil {
			return errors.New("it must be an address to listen on, such as 127.0.0.1:8080, or :8080 for all addresses of this machine")
		}
		return nil
	})
}

// brokerURL is the check of an address of a NATS server.
func brokerURL(text string) error {
	if !isURL(text, "nats", "tls") {
		return errors.New("is not an address such as tls://hub.example:4222 or nats://127.0.0.1:4222")
	}
	return nil
}

// webURL is the check of an address of a hub or node for people.
func webURL(text string) error {
	if !isURL(text, "http", "https") {
		return errors.New("it must be an address such as http://127.0.0.1:8080")
	}
	return nil
}

func isURL(text string, schemes ...string) bool {
	u, err := url.Parse(text)
	return err == nil && slices.Contains(schemes, u.Scheme) && u.Hostname() != "" && strings.Trim(u.Path, "/") == "" && u.RawQuery == "" && u.Fragment == ""
}
