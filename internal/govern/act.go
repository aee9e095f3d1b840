package govern

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"time"

	"samecup.example/samecup/internal/record"
)

// Act is one thing that was done.
type Act struct {
	// Number counts from 1 without gaps; it is the number of its entry.
	Number uint64
	// At is UTC, whole microseconds, and never before the act before.
	At time.Time
	// By is the actor's id, and Name what it is called in sentences.
	By   string
	Name string
	// Unclaimed marks what the local caller of an unclaimed installation did,
	// who needed no role and no second person.
	Unclaimed bool
	// Request is set on the first act of a call that had a request id.
	Request *Request
	Body    Body
}

// Request is the call that an act answered.
type Request struct {
	ID     string `json:"id"`
	Digest Digest `json:"digest"`
}

// Body is what was done: a pointer to one of this package's act types.
type Body interface {
	kind() string
	// apply changes the state; it fails only for an act that no decision made.
	apply(s *State, a *Act) error
	// tell completes the sentence that begins with who did it.
	tell() string
}

// Kind is the stable name of the act's type.
func (a Act) Kind() string { return a.Body.kind() }

// bodies has one of each act type.
func bodies() []Body {
	return []Body{
		&PersonAdded{}, &PersonChanged{}, &PersonRecovered{}, &SiteSet{}, &EnrolmentMade{}, &StationEnrolled{}, &NumberRaised{},
		&DraftCreated{}, &DraftSaved{}, &DraftCommented{}, &DraftProposed{}, &DraftApproved{}, &DraftReturned{}, &DraftWithdrawn{},
		&OverlayProposed{}, &OverlayApproved{}, &OverlayReleased{}, &OverlayRetired{},
		&EditionMade{}, &RolloutStarted{}, &WaveOpened{}, &SitesJoined{}, &WaveAdvised{}, &RolloutHalted{}, &RolloutResumed{}, &RolloutCompleted{}, &RolledBack{}, &RolloutReplaced{}, &DirectPublished{},
		&StopOrdered{}, &StopAcknowledged{}, &StopLiftAsked{}, &StopLifted{},
		&CardAcknowledged{}, &KeyListAccepted{}, &SigningKeyMade{},
	}
}

var bodyTypes = func() map[string]reflect.Type {
	m := map[string]reflect.Type{}
	for _, b := range bodies() {
		m[b.kind()] = reflect.TypeOf(b).Elem()
	}
	return m
}()

// written is an act's body in the record.
type written struct {
	Name      string          `json:"name,omitempty"`
	Unclaimed bool            `json:"unclaimed,omitempty"`
	Request   *Request        `json:"request,omitempty"`
	Act       json.RawMessage `json:"act"`
}

// Encode gives the bytes that the act has in the record.
func (a Act) Encode() ([]byte, error) {
	act, err := json.Marshal(a.Body)
	if err != nil {
		return nil, fmt.Errorf("encode act %d (%s): %w", a.Number, a.Kind(), err)
	}
	b, err := json.Marshal(written{Name: a.Name, Unclaimed: a.Unclaimed, Request: a.Request, Act: act})
	if err != nil {
		return nil, fmt.Errorf("encode act %d (%s): %w", a.Number, a.Kind(), err)
	}
	return b, nil
}

// Append writes the act as the next entry of a chain, which must be at the
// act's number.
func Append(c *record.Chain, a Act) (record.Entry, error) {
	if a.Number != c.Len()+1 {
		return record.Entry{}, fmt.Errorf("act %d cannot be entry %d of the record", a.Number, c.Len()+1)
	}
	body, err := a.Encode()
	if err != nil {
		return record.Entry{}, err
	}
	return c.Append(a.At, a.By, a.Kind(), body)
}

// Decode reads an act back. A kind or a field that this version does not know
// is an error, since to skip it would lose what it did.
func Decode(e record.Entry) (Act, error) {
	t, ok := bodyTypes[e.Kind]
	if !ok {
		return Act{}, fmt.Errorf("record entry %d is of kind %.80q, which this version does not know; run a newer one", e.Number, e.Kind)
	}
	var w written
	if err := strict(e.Body, &w); err != nil {
		return Act{}, fmt.Errorf("record entry %d (%s): %w", e.Number, e.Kind, err)
	}
	body, _ := reflect.New(t).Interface().(Body)
	if err := strict(w.Act, body); err != nil {
		return Act{}, fmt.Errorf("record entry %d (%s): %w", e.Number, e.Kind, err)
	}
	return Act{Number: e.Number, At: e.At.UTC(), By: e.Actor, Name: w.Name, Unclaimed: w.Unclaimed, Request: w.Request, Body: body}, nil
}

func strict(b []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("more follows the JSON value")
	}
	return nil
}

// Sentence tells an act in one plain sentence.
func Sentence(a Act) string {
	who := a.Name
	if who == "" {
		who = a.By
	}
	end := "."
	if a.Unclaimed {
		end = " (installation not yet claimed)."
	}
	return who + " " + a.Body.tell() + end
}

// Drinks lists the ids of the drinks that an act is about, sorted.
func Drinks(a Act) []string {
	if d, ok := a.Body.(interface{ drinks() []string }); ok {
		return d.drinks()
	}
	return nil
}

// Changes lists what an act changed in the book, a line each; nil for most.
func Changes(a Act) []string {
	if d, ok := a.Body.(interface{ changes() []string }); ok {
		return d.changes()
	}
	return nil
}

// Touched is what an act's change of a book touches.
type Touched struct {
	// Drinks by id, sorted.
	Drinks []string `json:"drinks,omitempty"`
	// Changes, a line each.
	Changes []string `json:"changes,omitempty"`
}

// about keeps the drinks alone, for acts that change no book themselves.
func (t Touched) about() Touched { return Touched{Drinks: t.Drinks} }

func (t Touched) drinks() []string  { return t.Drinks }
func (t Touched) changes() []string { return t.Changes }
