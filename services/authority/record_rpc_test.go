package authority

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// TestEveryChangeIsInTheRecord calls each method that changes something, and
// finds at least one more entry in the record; and none when the same request
// comes again.
func TestEveryChangeIsInTheRecord(t *testing.T) {
	o := openOffice(t)
	s := &season{headOffice: o}
	local := o.desk(t, "")
	cc := o.dial(t, "")
	ctx := t.Context()
	last := map[string]proto.Message{}
	draft := func(id string) *pb.Draft {
		return must(local.drafts.GetDraft(ctx, &pb.GetDraftRequest{Name: "drafts/" + id}))(t).Draft
	}
	etag := func(id string) string { return draft(id).Etag }
	newest := func() *pb.Rollout {
		return must(local.rollouts.ListRollouts(ctx, &pb.ListRolloutsRequest{PageSize: 1}))(t).Rollouts[0]
	}
	overlay := func() *pb.Overlay {
		return must(local.overlays.GetOverlay(ctx, &pb.GetOverlayRequest{Name: "overlays/site.tannery-row"}))(t).Overlay
	}
	covered := map[string]bool{}
	call := func(method string, req proto.Message) {
		t.Helper()
		full := "/samecup.v1." + method
		covered[full] = true
		m := req.ProtoReflect()
		if f := m.Descriptor().Fields().ByName("request_id"); f != nil {
			m.Set(f, protoreflect.ValueOfString(uuid.NewString()))
		}
		service, name, _ := strings.Cut(method, "/")
		d := must(protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName("samecup.v1." + service)))(t)
		out := d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(name)).Output() //nolint:forcetypeassert // a service
		res := must(protoregistry.GlobalTypes.FindMessageByName(out.FullName()))(t).New().Interface()
		before, _ := o.head()
		if err := cc.Invoke(ctx, full, req, res); err != nil {
			t.Fatalf("%s: %v", method, err)
		}
		after, _ := o.head()
		if after <= before {
			t.Errorf("%s left nothing in the record", method)
		}
		last[method] = res
		again := res.ProtoReflect().New().Interface()
		err := cc.Invoke(ctx, full, req, again)
		// A spent code is refused, and so is a call without a token once somebody
		// was added.
		if method != "FleetService/EnrolStation" && method != "GovernanceService/CreatePerson" && err != nil {
			t.Errorf("%s again: %v", method, err)
		}
		if now, _ := o.head(); now != after {
			t.Errorf("%s wrote %d entries when the same request came again", method, now-after)
		}
	}

	site := &pb.Site{Id: "tannery-row", Name: "Tannery Row", Region: "harbour", TimeZone: "Europe/London"}
	call("FleetService/CreateSite", &pb.CreateSiteRequest{Site: site})
	call("FleetService/CreateSite", &pb.CreateSiteRequest{Site: &pb.Site{Id: "oyster-steps", Name: "Oyster Steps", TimeZone: "UTC"}})
	call("FleetService/UpdateSite", &pb.UpdateSiteRequest{Site: &pb.Site{Id: "tannery-row", PeopleCount: 4}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"people_count"}}})
	call("FleetService/CreateEnrolment", &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar-1"})
	call("FleetService/EnrolStation", &pb.EnrolStationRequest{Code: last["FleetService/CreateEnrolment"].(*pb.CreateEnrolmentResponse).Code}) //nolint:forcetypeassert // its answer
	call("BookService/CreateRelease", request(bookFiles(t)))

	for _, id := range []string{"autumn", "late", "never"} {
		call("DraftService/CreateDraft", &pb.CreateDraftRequest{DraftId: id})
	}
	call("DraftService/UpdateDraft", &pb.UpdateDraftRequest{Name: "drafts/autumn", Etag: etag("autumn"), Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "61 °C")}})
	call("DraftService/CommentDraft", &pb.CommentDraftRequest{Name: "drafts/autumn", Text: "warm"})
	call("DraftService/ProposeDraft", &pb.ProposeDraftRequest{Name: "drafts/autumn", Etag: etag("autumn")})
	call("DraftService/ReturnDraft", &pb.ReturnDraftRequest{Name: "drafts/autumn", Reason: "a word is wrong"})
	call("DraftService/ProposeDraft", &pb.ProposeDraftRequest{Name: "drafts/autumn", Etag: etag("autumn")})
	review := must(local.drafts.ReviewDraft(ctx, &pb.ReviewDraftRequest{Name: "drafts/autumn"}))(t)
	call("DraftService/ApproveDraft", &pb.ApproveDraftRequest{Name: "drafts/autumn", Etag: etag("autumn"), Role: "approver", Cautions: cautionIDs(review.Cautions)})
	call("DraftService/WithdrawDraft", &pb.WithdrawDraftRequest{Name: "drafts/never", Reason: "not this year"})

	call("RolloutService/CreateRollout", &pb.CreateRolloutRequest{Draft: "drafts/autumn", Waves: []*pb.Wave{{Sites: []string{"tannery-row"}}, {All: true}}})
	call("RolloutService/HaltRollout", &pb.HaltRolloutRequest{Name: newest().Name, Reason: "odd"})
	call("RolloutService/ResumeRollout", &pb.ResumeRolloutRequest{Name: newest().Name, Etag: newest().Etag, Reason: "it was nothing"})
	call("RolloutService/AdvanceRollout", &pb.AdvanceRolloutRequest{Name: newest().Name, Etag: newest().Etag, Reason: "it tastes well"})
	call("GovernanceService/AcknowledgeCard", &pb.AcknowledgeCardRequest{Site: "tannery-row", Edition: newest().Edition, Person: "Mia"})
	call("DraftService/RebaseDraft", &pb.RebaseDraftRequest{Name: "drafts/late", Etag: etag("late")})

	call("OverlayService/CreateOverlay", &pb.CreateOverlayRequest{Scope: "site.tannery-row", Reason: "it runs hot", Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "58 °C")}})
	call("OverlayService/RebaseOverlay", &pb.RebaseOverlayRequest{Name: "overlays/site.tannery-row", Etag: overlay().Etag, Reason: "its boiler runs hot"})
	seen := must(local.overlays.ReviewOverlay(ctx, &pb.ReviewOverlayRequest{Name: "overlays/site.tannery-row"}))(t)
	call("OverlayService/ApproveOverlay", &pb.ApproveOverlayRequest{Name: "overlays/site.tannery-row", Etag: overlay().Etag, Role: "approver", Cautions: cautionIDs(seen.Cautions)})
	call("OverlayService/RetireOverlay", &pb.RetireOverlayRequest{Name: "overlays/site.tannery-row", Reason: "mended"})
	call("RolloutService/RollBack", &pb.RollBackRequest{Reason: "too warm"})

	call("StopService/CreateStop", &pb.CreateStopRequest{Kind: pb.StopKind_STOP_KIND_LOT, Target: "L 22", Reason: "recall"})
	call("StopService/AcknowledgeStop", &pb.AcknowledgeStopRequest{Name: "stops/1", Site: "tannery-row", Person: "Mia"})
	call("StopService/LiftStop", &pb.LiftStopRequest{Name: "stops/1", Reason: "replaced"})
	call("StopService/LiftStop", &pb.LiftStopRequest{Name: "stops/1", Reason: "seen"})

	call("GovernanceService/CreateSigningKey", &pb.CreateSigningKeyRequest{Label: "winter"})
	key := last["GovernanceService/CreateSigningKey"].(*pb.CreateSigningKeyResponse) //nolint:forcetypeassert // its answer
	call("GovernanceService/AddKeyList", &pb.AddKeyListRequest{KeyList: s.ceremony(t, release.KeyListEdit{Add: []*pb.SigningKey{{
		PublicKey: key.PublicKey, Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE}, Label: "winter"}}})})
	call("GovernanceService/CreatePerson", &pb.CreatePersonRequest{PersonId: "ada", Roles: []string{"administrator"}})
	cc = o.dial(t, last["GovernanceService/CreatePerson"].(*pb.CreatePersonResponse).Token) //nolint:forcetypeassert // its answer
	// Its own token would end with the call, and the second one be refused.
	call("GovernanceService/UpdatePerson", &pb.UpdatePersonRequest{Name: "people/ada", Roles: []string{"administrator", "author"}})

	srv := grpc.NewServer()
	o.Register(srv)
	var missing []string
	for service, info := range srv.GetServiceInfo() {
		for _, m := range info.Methods {
			if full := "/" + service + "/" + m.Name; !covered[full] && (!readable(full) || strings.HasSuffix(full, "/EnrolStation")) {
				missing = append(missing, full)
			}
		}
	}
	slices.Sort(missing)
	if len(missing) > 0 {
		t.Errorf("these change something and are not called here: %s", strings.Join(missing, ", "))
	}
	kinds := map[string]bool{}
	for e, err := range o.store.Entries(ctx, 0) {
		if err != nil {
			t.Fatal(err)
		}
		a := must(govern.Decode(e))(t)
		kinds[a.Kind()] = true
		if text := govern.Sentence(a); strings.Contains(text, "%!") {
			t.Errorf("entry %d reads %q", e.Number, text)
		}
	}
	for _, k := range []string{"enrolment.made", "station.enrolled", "key.made"} {
		if !kinds[k] {
			t.Errorf("no act of kind %s", k)
		}
	}
}
