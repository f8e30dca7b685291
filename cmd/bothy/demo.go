package main

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// demoFiles are the register of a scheme of our own.
//
//go:embed demo/*.csv
var demoFiles embed.FS

const demoText = `A hub and three cabins, each a process of its own with its own data directory, play a
working day of an invented scheme through the real APIs and real NATS, over links that
are cut and mended. Nothing is left behind. With --once it leaves after the story, with
0 only if all replicas hold the same, nothing accepted is missing and every lane is
empty.`

func demoCommand() command {
	once := false
	return command{
		name: "demo",
		line: "play a working day with a hub and three cabins on this machine",
		text: demoText,
		settings: []setting{
			{name: "once", help: "leave after the story", fallback: "no", bare: "yes", set: yes(&once)},
		},
		run: func(ctx context.Context, c call) error { return runDemo(ctx, c, once) },
	}
}

// runDemo tells the story, and stays up until the context ends unless it is to
// leave at once.
func runDemo(ctx context.Context, c call, once bool) (err error) {
	dir, err := os.MkdirTemp("", "bothy-demo-")
	if err != nil {
		return fmt.Errorf("make a folder for the demo: %w", err)
	}
	d := &demo{out: c.stdout, dir: dir, began: time.Now(), lasting: 9 * time.Minute, patience: 40 * time.Second}
	defer func() { err = errors.Join(err, d.end(), os.RemoveAll(dir)) }()
	if err := d.play(ctx); err != nil {
		return unlessStopped(ctx, err)
	}
	if once {
		return nil
	}
	d.tell("It stays up until Ctrl-C. Head office: %s/v1/fleet  Cabins: %s", d.hub.url(), strings.Join(d.cabinURLs(), " "))
	<-ctx.Done()
	return nil
}

// play is the day, in order.
func (d *demo) play(ctx context.Context) error {
	for _, part := range []func(context.Context) error{
		d.setUp, d.morning, d.hazard, d.hold, d.headOfficeWaits, d.linnReturns, d.twoEditors,
		d.hiredMachine, d.machineMoves, d.powerCut, d.repair, d.reckoning,
	} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

// setUp loads the register into a fresh hub, and starts everything.
func (d *demo) setUp(ctx context.Context) error {
	register := filepath.Join(d.dir, "register")
	if err := os.CopyFS(register, demoFiles); err != nil {
		return fmt.Errorf("write the register: %w", err)
	}
	hubDir := filepath.Join(d.dir, "hub")
	d.heading("A scheme in the hills: three sites, seven dumpers, one head office")
	var err error
	if d.hub, err = d.start(ctx, "hub", "--dir", hubDir, "--http", local, "--grpc", local, "--nats", local, "--free-space", "0"); err != nil {
		return err
	}
	if err := d.runOnce(ctx, "import", "--hub", d.hub.url(), "--person", "oona", filepath.Join(register, "demo")); err != nil {
		return err
	}
	for _, name := range []string{"raven", "linn", "harrow"} {
		if err := d.addCabin(ctx, name); err != nil {
			return err
		}
	}
	if err := d.await(ctx, "every cabin has the register", func() (bool, error) { return d.allHold(ctx, "machines", 7) }); err != nil {
		return err
	}
	d.tell("Hub and three cabins are up, and every cabin has the register.")
	for _, c := range d.cabins {
		c.cut()
	}
	d.tell("Then the weather comes in: all three links are down.")
	return nil
}

// morning: checks are saved with no link at all.
func (d *demo) morning(ctx context.Context) error {
	d.heading("Before the shift, no link")
	for _, m := range []struct{ cabin, person, machine string }{
		{"raven", "isla", "d-11"}, {"raven", "bron", "d-14"}, {"linn", "tomasz", "d-09"}, {"harrow", "edda", "d-22"},
	} {
		c := d.cabin(m.cabin)
		if err := d.weekly(ctx, c, m.person, m.machine); err != nil {
			return err
		}
		took, err := d.check(ctx, c, m.person, m.machine, nil)
		if err != nil {
			return err
		}
		standing, err := d.standing(ctx, c, m.machine)
		if err != nil {
			return err
		}
		d.tell("%s: %s checks %s, no defect found. Saved in %s with no link; the records say %s.", c.name, m.person, m.machine, took.Round(time.Millisecond), standing)
	}
	return nil
}

// hazard: a parking brake does not hold.
func (d *demo) hazard(ctx context.Context) error {
	c := d.cabin("linn")
	_, err := d.check(ctx, c, "tomasz", "d-07", map[string]answer{
		"parking-brake": {State: "DEFECT", Note: "rolled back within two seconds on the test ramp", Held: 2},
	})
	if err != nil {
		return err
	}
	standing, err := d.standing(ctx, c, "d-07")
	if err != nil {
		return err
	}
	d.tell("%s: tomasz finds that the parking brake of d-07 does not hold. He tags it; the records say %s.", c.name, standing)
	return nil
}

// hold: a supervisor stops a machine whatever its checks say.
func (d *demo) hold(ctx context.Context) error {
	c := d.cabin("harrow")
	err := c.post(ctx, "edda", "/v1/machines/d-21:hold", map[string]any{
		"reason": "struck by falling rock, cab frame to be looked at by a competent person", "marking": "CONTROLS_LOCKED", "requestId": d.requestID(),
	}, nil)
	if err != nil {
		return err
	}
	standing, err := d.standing(ctx, c, "d-21")
	if err != nil {
		return err
	}
	d.tell("%s: edda puts a hold on d-21 and locks its controls; the records say %s.", c.name, standing)
	return nil
}

func (d *demo) headOfficeWaits(ctx context.Context) error {
	standing, err := d.standing(ctx, d.hub, "d-07")
	if err != nil {
		return err
	}
	d.tell("Head office has heard none of this. It does not show d-07 as fit: %s.", standing)
	return nil
}

// linnReturns: the hazard goes first.
func (d *demo) linnReturns(ctx context.Context) error {
	d.heading("Linn's link comes back")
	c := d.cabin("linn")
	up, down := c.cutter.Bytes()
	began := time.Now()
	c.cutter.Restore()
	err := d.await(ctx, "head office knows of the hazard", func() (bool, error) {
		standing, err := d.standing(ctx, d.hub, "d-07")
		return standing == "OUT_OF_SERVICE", err
	})
	if err != nil {
		return err
	}
	took := time.Since(began)
	if err := d.awaitSynced(ctx, c); err != nil {
		return err
	}
	nowUp, nowDown := c.cutter.Bytes()
	d.tell("Head office shows d-07 OUT_OF_SERVICE %s after the link came back; with everything else it cost %d bytes up and %d down.",
		took.Round(time.Millisecond), nowUp-up, nowDown-down)
	return nil
}

// twoEditors: a fitter at head office and a supervisor in the cabin edit one
// defect on two sides of a cut.
func (d *demo) twoEditors(ctx context.Context) error {
	d.heading("Two people, one defect, a cut between them")
	linn := d.cabin("linn")
	if err := d.reportLamp(ctx, linn); err != nil {
		return err
	}
	if err := d.awaitSynced(ctx, linn); err != nil {
		return err
	}
	lamp, err := d.openDefect(ctx, d.hub, "d-09")
	if err != nil {
		return err
	}
	linn.cut()
	until := time.Now().Add(4 * time.Hour).UTC().Truncate(time.Second).Format(time.RFC3339)
	err = linn.patch(ctx, "morwenna", "/v1/defects/"+lamp.ID, map[string]any{
		"etag": lamp.Etag, "limit": "lower bench only, with a banksman", "limitUntil": until,
	}, nil)
	if err != nil {
		return err
	}
	d.tell("linn, cut off: morwenna lets d-09 work on the lower bench only, with a banksman, until %s.", until)
	err = d.hub.patch(ctx, "morwenna", "/v1/defects/"+lamp.ID, map[string]any{
		"etag": lamp.Etag, "limit": "daylight only, until the new lamp is on", "limitUntil": until,
	}, nil)
	if err != nil {
		return err
	}
	d.tell("head office, at the same time: the same defect is limited to being daylight only, until the new lamp is on.")
	linn.cutter.Restore()
	if err := d.await(ctx, "both words are there", func() (bool, error) {
		n, err := d.conflicts(ctx, d.hub)
		return n > 0, err
	}); err != nil {
		return err
	}
	return d.showConflict(ctx)
}

func (d *demo) reportLamp(ctx context.Context, c *server) error {
	return c.post(ctx, "tomasz", "/v1/defects?requestId="+d.requestID(), map[string]any{
		"machine": "d-09", "text": "work lamp on the frame is broken, glass still in it", "class": "SAFETY",
	}, nil)
}

// hiredMachine: a machine that nobody has heard of arrives, is registered at two
// cabins, and is one machine.
func (d *demo) hiredMachine(ctx context.Context) error {
	d.heading("A hired machine that no register knows")
	for _, m := range []struct{ cabin, person, site, painted string }{
		{"raven", "isla", "ravens-quarry", "H 31"}, {"harrow", "edda", "harrow-cut", "h/31"},
	} {
		c := d.cabin(m.cabin)
		err := c.post(ctx, m.person, "/v1/machines", map[string]any{
			"fleetNumber": m.painted, "machineType": "wheeled-site-dumper", "site": m.site, "options": []string{"straight-skip", "frame"}, "meterHours": 77.5,
		}, nil)
		if err != nil {
			return err
		}
		if _, err := d.check(ctx, c, m.person, "h-31", nil); err != nil {
			return err
		}
		d.tell("%s, cut off: %s registers %q by what is painted on it, and checks it.", c.name, m.person, m.painted)
		d.nextShiftOfMeter("h-31", 0.1)
	}
	return nil
}

// machineMoves: the office moves a machine before either site has heard.
func (d *demo) machineMoves(ctx context.Context) error {
	var m struct {
		Etag string `json:"etag"`
	}
	if err := d.hub.get(ctx, "/v1/machines/d-15", &m); err != nil {
		return err
	}
	if err := d.hub.patch(ctx, "oona", "/v1/machines/d-15", map[string]any{"etag": m.Etag, "site": "harrow-cut"}, nil); err != nil {
		return err
	}
	c := d.cabin("harrow")
	if _, err := d.check(ctx, c, "edda", "d-15", nil); err != nil {
		return err
	}
	d.tell("The office moves d-15 from raven to harrow. Neither cabin has heard; it arrives all the same, and edda checks it at %s.", c.name)
	return nil
}

// powerCut: a node is killed while handhelds write.
func (d *demo) powerCut(ctx context.Context) error {
	d.heading("Somebody pulls the plug at raven")
	c := d.cabin("raven")
	saved, unknown := d.writeUntilKilled(ctx, c)
	if err := d.restart(ctx, c); err != nil {
		return err
	}
	for _, id := range saved {
		if err := c.get(ctx, "/v1/defects/"+id, nil); err != nil {
			return fmt.Errorf("defect %s was accepted before the kill and is missing after: %w", id, err)
		}
	}
	d.tell("raven was killed (kill -9) while handhelds were writing: %d defects had been accepted, %d answers never came. After the restart all %d are there.", len(saved), unknown, len(saved))
	return nil
}

// repair: report, certify, prove.
func (d *demo) repair(ctx context.Context) error {
	d.heading("The repair of d-07")
	linn := d.cabin("linn")
	brake, err := d.openDefect(ctx, linn, "d-07")
	if err != nil {
		return err
	}
	err = linn.patch(ctx, "caleb", "/v1/defects/"+brake.ID, map[string]any{
		"etag": brake.Etag, "progress": "REPAIRED",
		"certificate": map[string]any{"outcome": "MENDED", "text": "new linings and cable, adjusted, held on the ramp for a minute", "class": "HAZARD"},
	}, nil)
	if err != nil {
		return err
	}
	standing, err := d.standing(ctx, linn, "d-07")
	if err != nil {
		return err
	}
	d.tell("linn: caleb certifies the repair. Until somebody has checked it, the records say %s.", standing)
	d.nextShiftOfMeter("d-07", 0.1)
	// The proof must have begun after the certificate, and times are whole seconds.
	if err := pause(ctx, 2*time.Second); err != nil {
		return err
	}
	d.lasting = time.Second
	if err := d.weekly(ctx, linn, "tomasz", "d-07"); err != nil {
		return err
	}
	if _, err := d.check(ctx, linn, "tomasz", "d-07", nil); err != nil {
		return err
	}
	if standing, err = d.standing(ctx, linn, "d-07"); err != nil {
		return err
	}
	d.tell("linn: tomasz checks d-07 again, the brake holds. The records say %s.", standing)
	return nil
}

// pause waits, or gives up with the context.
func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
