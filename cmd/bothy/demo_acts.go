package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// answer is what somebody says of a point instead of OK.
type answer struct {
	State, Note string
	Held        float64
}

func (d *demo) requestID() string {
	d.requests++
	return fmt.Sprintf("demo-%d-%d", d.began.UnixNano(), d.requests)
}

// sheetPoint is what the demo needs of a point.
type sheetPoint struct {
	ID          string `json:"id"`
	HoldSeconds int    `json:"holdSeconds"`
	Reading     *struct {
		PhysicalMin, PhysicalMax float64
		Required                 bool
	} `json:"reading"`
}

// check works through the pre-use sheet of a machine and saves it, everything in
// order but what is said otherwise. It gives how long the saving took.
func (d *demo) check(ctx context.Context, c *server, person, machine string, found map[string]answer) (time.Duration, error) {
	return d.work(ctx, c, person, machine, "PRE_USE", found)
}

// weekly works through the weekly sheet, everything in order.
func (d *demo) weekly(ctx context.Context, c *server, person, machine string) error {
	_, err := d.work(ctx, c, person, machine, "WEEKLY", nil)
	return err
}

func (d *demo) work(ctx context.Context, c *server, person, machine, purpose string, found map[string]answer) (time.Duration, error) {
	body, err := d.checkBody(ctx, c, person, machine, purpose, found)
	if err != nil {
		return 0, err
	}
	var saved struct {
		ID      string
		Defects []string
	}
	began := time.Now()
	if err := c.post(ctx, person, "/v1/checks?requestId="+d.requestID(), body, &saved); err != nil {
		return 0, err
	}
	took := time.Since(began)
	d.accepted = append(d.accepted, "/v1/checks/"+saved.ID)
	for _, id := range saved.Defects {
		d.accepted = append(d.accepted, "/v1/defects/"+id)
	}
	return took, nil
}

// checkBody is a check as a handheld sends it: every point of the sheet answered,
// the open defects seen.
func (d *demo) checkBody(ctx context.Context, c *server, person, machine, purpose string, found map[string]answer) (map[string]any, error) {
	var sheets struct {
		Sheets []struct {
			ID, Purpose string
			Stages      []struct{ Points []sheetPoint }
		}
		OpenDefects []struct{ ID string }
	}
	if err := c.get(ctx, "/v1/machines/"+machine+"/sheets", &sheets); err != nil {
		return nil, err
	}
	meter, err := d.meter(ctx, c, machine)
	if err != nil {
		return nil, err
	}
	now := time.Now().UTC().Truncate(time.Second)
	seen := []string{}
	for _, open := range sheets.OpenDefects {
		seen = append(seen, open.ID)
	}
	check := map[string]any{
		"machine": machine, "person": person, "meterHours": meter,
		"startedAt": now.Add(-d.lasting), "finishedAt": now, "seenDefects": seen,
	}
	for _, sheet := range sheets.Sheets {
		if sheet.Purpose != purpose {
			continue
		}
		var answers []map[string]any
		for _, stage := range sheet.Stages {
			for _, p := range stage.Points {
				answers = append(answers, p.answered(found[p.ID]))
			}
		}
		check["sheet"], check["answers"] = sheet.ID, answers
	}
	if slices.Contains(states(found), "DEFECT") {
		check["marking"] = "TAGGED"
	}
	return check, nil
}

func states(found map[string]answer) (out []string) {
	for _, a := range found {
		out = append(out, a.State)
	}
	return out
}

// answered is the answer to a point.
func (p sheetPoint) answered(a answer) map[string]any {
	out := map[string]any{"point": p.ID, "state": "OK"}
	if p.HoldSeconds > 0 {
		out["heldSeconds"] = float64(p.HoldSeconds + 2)
	}
	if p.Reading != nil && p.Reading.Required {
		out["reading"] = (p.Reading.PhysicalMin + p.Reading.PhysicalMax) / 2
	}
	if a.State != "" {
		out["state"], out["note"] = a.State, a.Note
	}
	if a.Held > 0 {
		out["heldSeconds"] = a.Held
	}
	return out
}

// meter is what the hour meter shows: what the register says, and a little more
// each time that somebody worked.
func (d *demo) meter(ctx context.Context, c *server, machine string) (float64, error) {
	if d.meters == nil {
		d.meters = map[string]float64{}
	}
	if m, ok := d.meters[machine]; ok {
		return m, nil
	}
	var m struct{ MeterHours float64 }
	err := c.get(ctx, "/v1/machines/"+machine, &m)
	d.meters[machine] = m.MeterHours
	return m.MeterHours, err
}

// nextShiftOfMeter has the meter of a machine go on.
func (d *demo) nextShiftOfMeter(machine string, hours float64) {
	d.meters[machine] = float64(int(d.meters[machine]*10+hours*10+0.5)) / 10
}

// standing asks for a verdict over gRPC.
func (d *demo) standing(ctx context.Context, s *server, machine string) (string, error) {
	conn, err := grpc.NewClient(s.listens["grpc"], grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return "", err
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	v, err := bothyv1.NewRecordsServiceClient(conn).GetVerdict(ctx, &bothyv1.GetVerdictRequest{Machine: machine})
	if err != nil {
		return "", fmt.Errorf("verdict on %s at %s: %w", machine, s.name, err)
	}
	return v.GetStanding().String(), nil
}

// defect is what the demo needs of one.
type defect struct {
	ID, Etag, Machine, Class, Progress, Text string
	ConflictingFields                        []string
}

// openDefect is the first open defect of a machine.
func (d *demo) openDefect(ctx context.Context, s *server, machine string) (defect, error) {
	var list struct{ Defects []defect }
	if err := s.get(ctx, "/v1/defects?machine="+machine, &list); err != nil {
		return defect{}, err
	}
	if len(list.Defects) == 0 {
		return defect{}, fmt.Errorf("%s has no open defect at %s", machine, s.name)
	}
	return list.Defects[0], nil
}

// linkState is what the demo needs of a cabin's link.
type linkState struct {
	Replica, Digest    string
	Written, Receipted string
	MayBeWiped         bool
	Lanes              []struct {
		Lane           int
		ChangesWaiting string
		BytesWaiting   string
	}
	Alarms []string
}

// awaitSynced waits until the hub has everything of a cabin and it has the hub's.
func (d *demo) awaitSynced(ctx context.Context, c *server) error {
	return d.await(ctx, c.name+" and head office hold the same", func() (bool, error) {
		mine, theirs, err := d.digests(ctx, c)
		return mine.MayBeWiped && mine.Digest == theirs, err
	})
}

// digests gives a cabin's link, and the hub's digest of what the cabin carries.
func (d *demo) digests(ctx context.Context, c *server) (mine linkState, theirs string, err error) {
	if err := c.get(ctx, "/v1/link", &mine); err != nil {
		return mine, "", err
	}
	var links struct {
		Links []struct{ Replica, Digest string }
	}
	if err := d.hub.get(ctx, "/v1/links", &links); err != nil {
		return mine, "", err
	}
	for _, l := range links.Links {
		if l.Replica == mine.Replica {
			theirs = l.Digest
		}
	}
	return mine, theirs, nil
}

func (d *demo) allHold(ctx context.Context, collection string, n int) (bool, error) {
	for _, c := range d.cabins {
		var list map[string]json.RawMessage
		if err := c.get(ctx, "/v1/"+collection, &list); err != nil {
			return false, err
		}
		var items []json.RawMessage
		if err := json.Unmarshal(list[collection], &items); err != nil || len(items) < n {
			return false, err
		}
	}
	return true, nil
}

type conflict struct {
	Kind, ID, Field, ReadsAs, Rule string
	Versions                       []struct{ Value, Person string }
}

func (d *demo) allConflicts(ctx context.Context, s *server) ([]conflict, error) {
	var list struct{ Conflicts []conflict }
	err := s.get(ctx, "/v1/conflicts", &list)
	return list.Conflicts, err
}

func (d *demo) conflicts(ctx context.Context, s *server) (int, error) {
	all, err := d.allConflicts(ctx, s)
	return len(all), err
}

func (d *demo) showConflict(ctx context.Context) error {
	all, err := d.allConflicts(ctx, d.hub)
	if err != nil {
		return err
	}
	for _, c := range all {
		d.tell("Both words are kept: %s of %s/%s reads as %s (%s) until somebody settles it; it has %d versions.", c.Field, c.Kind, c.ID, c.ReadsAs, c.Rule, len(c.Versions))
	}
	return nil
}

// writeUntilKilled has handhelds report defects while the cabin is killed. It
// gives the ids of what was accepted, and how many answers never came.
func (d *demo) writeUntilKilled(ctx context.Context, c *server) (accepted []string, unknown int) {
	const handhelds = 4
	var mu sync.Mutex
	var wg sync.WaitGroup
	for h := range handhelds {
		wg.Go(func() {
			for i := 0; ; i++ {
				var saved defect
				err := c.post(ctx, "isla", fmt.Sprintf("/v1/defects?requestId=kill-%d-%d-%d", d.began.UnixNano(), h, i), map[string]any{
					"machine": "d-11", "text": fmt.Sprintf("scratch number %d on panel %d", i+1, h+1), "class": "CONDITION",
				}, &saved)
				mu.Lock()
				if err != nil {
					unknown++
					mu.Unlock()
					return
				}
				accepted = append(accepted, saved.ID)
				enough := len(accepted) == 40
				mu.Unlock()
				if enough {
					_ = c.kill() // the story goes on with what is left
				}
			}
		})
	}
	wg.Wait()
	for _, id := range accepted {
		d.accepted = append(d.accepted, "/v1/defects/"+id)
	}
	return accepted, unknown
}

// reckoning mends every link and shows what came of the day.
func (d *demo) reckoning(ctx context.Context) error {
	d.heading("Evening: every link is back")
	for _, c := range d.cabins {
		c.cutter.Restore()
	}
	for _, c := range d.cabins {
		if err := d.awaitSynced(ctx, c); err != nil {
			return err
		}
	}
	d.tell("Hub and cabins hold the same records.")
	for _, show := range []func(context.Context) error{d.showFleet, d.showQueue, d.showConflicts, d.showLinks, d.countAccepted} {
		if err := show(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (d *demo) showFleet(ctx context.Context) error {
	var fleet struct {
		Machines []struct {
			Machine struct{ FleetNumber, Site string }
			Verdict struct {
				Standing string
				Reasons  []struct{ Text string }
			}
			OpenDefects int
		}
	}
	if err := d.hub.get(ctx, "/v1/fleet", &fleet); err != nil {
		return err
	}
	d.heading("The fleet, as head office sees it (a reading of records; it never says that a machine is safe)")
	for _, m := range fleet.Machines {
		why := ""
		if len(m.Verdict.Reasons) > 0 {
			why = m.Verdict.Reasons[0].Text
		}
		fmt.Fprintf(d.out, "  %-6s %-14s %-15s %s\n", m.Machine.FleetNumber, m.Machine.Site, m.Verdict.Standing, why)
	}
	return nil
}

// shownRows bounds how much of the queue the story shows.
const shownRows = 8

func (d *demo) showQueue(ctx context.Context) error {
	var queue struct {
		Rows []struct {
			Defect       defect
			Machine      struct{ Site string }
			OutOfService bool
		}
	}
	if err := d.hub.get(ctx, "/v1/queue?pageSize=500", &queue); err != nil {
		return err
	}
	d.heading(fmt.Sprintf("The defect queue of all sites: %d to be worked, these first", len(queue.Rows)))
	for _, r := range queue.Rows[:min(len(queue.Rows), shownRows)] {
		fmt.Fprintf(d.out, "  %-9s %-9s %-5s %-14s %s\n", r.Defect.Class, r.Defect.Progress, r.Defect.Machine, r.Machine.Site, r.Defect.Text)
	}
	return nil
}

func (d *demo) showConflicts(ctx context.Context) error {
	all, err := d.allConflicts(ctx, d.hub)
	if err != nil {
		return err
	}
	d.heading(fmt.Sprintf("Conflicts that wait for a person: %d", len(all)))
	for _, c := range all {
		var words []string
		for _, v := range c.Versions {
			words = append(words, v.Value)
		}
		fmt.Fprintf(d.out, "  %s/%s %s: %s\n", c.Kind, c.ID, c.Field, strings.Join(words, " | "))
	}
	return nil
}

func (d *demo) showLinks(ctx context.Context) error {
	d.heading("The links")
	for _, c := range d.cabins {
		mine, theirs, err := d.digests(ctx, c)
		if err != nil {
			return err
		}
		waiting := []string{}
		for _, l := range mine.Lanes {
			waiting = append(waiting, l.ChangesWaiting)
			if l.ChangesWaiting != "0" {
				return fmt.Errorf("lane %d of %s is not empty: %s changes wait", l.Lane, c.name, l.ChangesWaiting)
			}
		}
		if mine.Digest != theirs {
			return fmt.Errorf("%s holds other records than head office: %s and %s", c.name, mine.Digest, theirs)
		}
		up, down := c.cutter.Bytes()
		fmt.Fprintf(d.out, "  %-7s lanes %s  written %s, receipted %s  %d bytes up, %d down  records %.12s\n",
			c.name, strings.Join(waiting, "/"), mine.Written, mine.Receipted, up, down, mine.Digest)
	}
	return nil
}

// countAccepted asks the hub for everything that anybody was told is saved.
func (d *demo) countAccepted(ctx context.Context) error {
	for _, path := range d.accepted {
		if err := d.hub.get(ctx, path, nil); err != nil {
			return fmt.Errorf("something accepted is missing at head office: %w", err)
		}
	}
	d.tell("All %d checks and defects that were accepted anywhere are at head office.", len(d.accepted))
	return nil
}
