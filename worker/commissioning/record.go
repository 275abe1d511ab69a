// Package commissioning is what is measured at a machine before a beam may run on it: how long the beam
// stays on when this software is gone, how the switch behaves, how well the axes find their place, what
// the extraction draws. Persons measure, with the machine's own test button, a film of known rate or a
// sensor, since no beam runs by this software on a machine that is not commissioned (I15); what can be
// measured without motion is measured here.
package commissioning

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nkeys"

	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
)

// Record is one commissioning. Times are tries in milliseconds; the longest counts. An empty list was
// not measured.
type Record struct {
	At      time.Time    `json:"at"`
	Machine string       `json:"machine"` // its id
	Profile canon.Digest `json:"profile"` // the version that it was made with
	Tool    string       `json:"tool"`

	CablePulledMS   []int64 `json:"cable_pulled_ms"` // beam after the cable to the machine is pulled
	WorkerKilledMS  []int64 `json:"worker_killed_ms"`
	HostSuspendedMS []int64 `json:"host_suspended_ms"`
	Means           string  `json:"means"` // what takes the beam away

	SwitchKind string  `json:"switch_kind"`
	HasSensor  bool    `json:"has_sensor"`
	OnMS       []int64 `json:"on_ms"`       // from command to beam
	OffMS      []int64 `json:"off_ms"`      // from command to no beam
	StopMS     []int64 `json:"stop_ms"`     // from a stop at the station to no beam
	AnsweredMS []int64 `json:"answered_ms"` // from a stop to the machine's answer, measured here

	RepeatXUM []int64 `json:"repeat_x_um"` // readings at one place, approached anew each time
	RepeatYUM []int64 `json:"repeat_y_um"`
	FlowPa    int64   `json:"flow_pa"`       // 0 = not read
	FlowM3H   int64   `json:"flow_m3_per_h"` // 0 = not measured
}

// Apply gives the profile with what was measured. What was not stays as it is, but a cut-off counts as
// tested only when all three of its times were measured.
func (r Record) Apply(p machine.Profile) machine.Profile {
	p.Tools = slices.Clone(p.Tools)
	times := [][]int64{r.CablePulledMS, r.WorkerKilledMS, r.HostSuspendedMS}
	if slices.ContainsFunc(times, func(t []int64) bool { return len(t) > 0 }) {
		c := machine.CutOff{Tested: true, Means: r.Means}
		for i, to := range []*int64{&c.CablePulledMS, &c.WorkerKilledMS, &c.HostSuspendedMS} {
			if len(times[i]) == 0 {
				*to, c.Tested = -1, false
				continue
			}
			*to = slices.Max(times[i])
		}
		p.CutOff = c
	}
	for i := range p.Tools {
		if t := &p.Tools[i]; t.Name == r.Tool {
			r.applySwitch(&t.Switch)
		}
	}
	for _, axis := range []struct {
		to   *machine.Placing
		read []int64
	}{{&p.PlacingX, r.RepeatXUM}, {&p.PlacingY, r.RepeatYUM}} {
		if len(axis.read) > 1 {
			axis.to.RepeatErrorUM = slices.Max(axis.read) - slices.Min(axis.read)
		}
	}
	if r.FlowPa > 0 {
		p.Air.CommissionedPa = r.FlowPa
	}
	if r.FlowM3H > 0 {
		p.Air.MeasuredFlowM3PerH = r.FlowM3H
	}
	return p
}

func (r Record) applySwitch(s *machine.Switch) {
	if r.SwitchKind != "" {
		s.Kind, s.HasSensor = r.SwitchKind, r.HasSensor
	}
	var jitter int64
	for _, delay := range []struct {
		to   *int64
		read []int64
	}{{&s.OnDelayMS, r.OnMS}, {&s.OffDelayMS, r.OffMS}} {
		if len(delay.read) > 0 {
			*delay.to = mean(delay.read)
			jitter = max(jitter, slices.Max(delay.read)-slices.Min(delay.read))
			s.JitterMS = jitter
		}
	}
}

// mean is rounded to whole milliseconds, half up.
func mean(v []int64) int64 {
	var sum int64
	for _, x := range v {
		sum += x
	}
	n := int64(len(v))
	return (2*sum + n) / (2 * n)
}

// signed is the file of a record: who measured is the worker whose key signs.
type signed struct {
	Record    Record `json:"record"`
	Key       string `json:"key"`
	Signature []byte `json:"signature"` // Ed25519 over the domain's name and the record's canonical CBOR
}

const domain = "kerfgate commissioning v1\n"

func (r Record) message() ([]byte, error) {
	data, err := canon.Marshal(r)
	return append([]byte(domain), data...), err
}

// Sign gives the record as a file that only the holder of the key could have made.
func Sign(r Record, key nkeys.KeyPair) ([]byte, error) {
	r.At = r.At.UTC().Truncate(time.Second)
	message, err := r.message()
	if err != nil {
		return nil, err
	}
	s := signed{Record: r}
	if s.Key, err = key.PublicKey(); err != nil {
		return nil, err
	}
	if s.Signature, err = key.Sign(message); err != nil {
		return nil, err
	}
	return json.MarshalIndent(s, "", "  ")
}

// ErrNotSigned is returned for a file whose record is not what its key signed.
var ErrNotSigned = errors.New("the record is not what its key signed")

// Open reads a file made by Sign. The caller holds the key against what it knows. Errors are ErrNotSigned
// and those of the form.
func Open(file []byte) (r Record, key string, err error) {
	var s signed
	if err := json.Unmarshal(file, &s); err != nil {
		return r, "", fmt.Errorf("this is no commissioning record: %w", err)
	}
	message, err := s.Record.message()
	if err != nil {
		return r, "", err
	}
	public, err := nkeys.FromPublicKey(s.Key)
	if err != nil {
		return r, "", errors.Join(ErrNotSigned, err)
	}
	if err := public.Verify(message, s.Signature); err != nil {
		return r, "", errors.Join(ErrNotSigned, err)
	}
	return s.Record, s.Key, nil
}
