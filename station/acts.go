package station

import (
	"context"
	"errors"
	"fmt"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/store"
)

// EventAct is the CloudEvents type of an act.
const EventAct = "samecup.v1.StationAct"

const (
	actsAtOnce = 32
	// maxActServings bounds an acknowledgement of cards.
	maxActServings = 500
)

// AcknowledgeStop says who here saw a stop. It answers after that is on disk.
func (a *Agent) AcknowledgeStop(ctx context.Context, req *pb.StationServiceAcknowledgeStopRequest) (*pb.StationServiceAcknowledgeStopResponse, error) {
	var found []rpc.Violation
	found = wantText(found, "stop", req.GetStop(), true)
	found = wantText(found, "person", req.GetPerson(), true)
	found = wantText(found, "note", req.GetNote(), false)
	if len(found) > 0 {
		return nil, rpc.Invalid(found...)
	}
	if !a.stopHolds(req.GetStop()) {
		return nil, rpc.Fail(codes.NotFound, "NO_STOP", fmt.Sprintf("stop %q does not hold here; list the stops for those that do", clip(req.GetStop())), nil)
	}
	act := &pb.StationAct{Act: &pb.StationAct_StopSeen{StopSeen: &pb.StopSeen{Stop: req.GetStop(), Note: req.GetNote()}}}
	if err := a.addAct(ctx, req.GetPerson(), act); err != nil {
		return nil, err
	}
	return &pb.StationServiceAcknowledgeStopResponse{}, nil
}

func (a *Agent) stopHolds(id string) bool {
	l := a.shelf.Stops()
	if l == nil {
		return false
	}
	for _, s := range l.Stops.Open() {
		if s.GetId() == id {
			return true
		}
	}
	return false
}

// AcknowledgeCard says who here read what an edition changed; an edition may be
// learnt before its release is ordered.
func (a *Agent) AcknowledgeCard(ctx context.Context, req *pb.StationServiceAcknowledgeCardRequest) (*pb.StationServiceAcknowledgeCardResponse, error) {
	var found []rpc.Violation
	if req.GetEdition() == 0 {
		found = append(found, rpc.Violation{Field: "edition", Description: "it is 0: write the number of the edition that was read"})
	}
	found = wantText(found, "person", req.GetPerson(), true)
	if n := len(req.GetServings()); n > maxActServings {
		found = append(found, rpc.Violation{Field: "servings", Description: fmt.Sprintf("%d servings; list at most %d, or none for all that changed", n, maxActServings)})
	} else {
		for i, s := range req.GetServings() {
			found = wantText(found, fmt.Sprintf("servings[%d]", i), s, true)
		}
	}
	if len(found) > 0 {
		return nil, rpc.Invalid(found...)
	}
	act := &pb.StationAct{Act: &pb.StationAct_CardSeen{CardSeen: &pb.CardSeen{Edition: req.GetEdition(), Servings: req.GetServings()}}}
	if err := a.addAct(ctx, req.GetPerson(), act); err != nil {
		return nil, err
	}
	return &pb.StationServiceAcknowledgeCardResponse{}, nil
}

func wantText(found []rpc.Violation, field, s string, needed bool) []rpc.Violation {
	switch {
	case needed && s == "":
		return append(found, rpc.Violation{Field: field, Description: "it is empty: write it"})
	case len(s) > wire.MaxText:
		return append(found, rpc.Violation{Field: field, Description: fmt.Sprintf("it has %d bytes; write at most %d", len(s), wire.MaxText)})
	case !utf8.ValidString(s):
		return append(found, rpc.Violation{Field: field, Description: "it is not UTF-8: write it as that"})
	}
	return found
}

func (a *Agent) addAct(ctx context.Context, person string, act *pb.StationAct) error {
	id, err := uuid.NewRandom()
	if err != nil {
		return fmt.Errorf("make an act's id: %w", err)
	}
	act.Id, act.Site, act.Station, act.Person, act.ActTime = id.String(), a.id.Site, a.id.Station, person, timestamppb.New(a.cfg.Now())
	added, err := a.store.AddAct(ctx, act)
	switch {
	case errors.Is(err, store.ErrActsFull):
		return rpc.Fail(codes.ResourceExhausted, "ACTS_FULL", fmt.Sprintf("%d acknowledgements wait for the bus already; bring the station online first", store.MaxActs), nil)
	case err != nil && ctx.Err() != nil:
		return err
	case err != nil:
		a.log.Error("an act cannot be stored", zap.Error(err))
		return rpc.Fail(codes.Unavailable, "LOG_UNAVAILABLE", "it was not kept: "+cannotStore(a.cfg.Dir, err), nil)
	}
	if added {
		a.acts.send()
	}
	return nil
}

// sendActs sends what people did here, each until the stream has it. It is sent
// at least once; the id makes it count once.
func (a *Agent) sendActs(ctx context.Context, js jetstream.JetStream) {
	for ctx.Err() == nil {
		more := a.acts.wait()
		acts, err := a.store.Acts(ctx, actsAtOnce)
		if err != nil {
			if ctx.Err() == nil {
				a.log.Error("the acts cannot be read", zap.Error(err))
			}
			a.pause(ctx, backoffMost, nil, nil)
			continue
		}
		if len(acts) == 0 {
			select {
			case <-more:
			case <-ctx.Done():
			}
			continue
		}
		for _, act := range acts {
			m := bus.Event(bus.ActSubject(a.id.Site, a.id.Station), act.ID, EventAct, a.source(), a.cfg.Now(), act.Bytes)
			if !a.send(ctx, js, bus.StreamActs, m) {
				return
			}
			if err := a.store.RemoveAct(ctx, act.Seq); err != nil && ctx.Err() == nil {
				// It is sent again, under the same id.
				a.log.Error("a sent act cannot be removed", zap.Error(err))
				a.pause(ctx, backoffMost, nil, nil)
				break
			}
		}
	}
}
