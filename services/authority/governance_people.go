package authority

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const personToken = "p"

// CreatePerson implements pb.GovernanceServiceServer. The same request again
// answers with the person and without the token, which is shown once: where the
// answer was lost, have a new token made.
func (s governanceService) CreatePerson(ctx context.Context, req *pb.CreatePersonRequest) (*pb.CreatePersonResponse, error) {
	var c check
	c.slug("person_id", req.PersonId, "ada")
	c.text("display_name", req.DisplayName, maxNameRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	token, hash := newToken()
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		return t.AddPerson(t.Call, govern.NewPerson{ID: req.PersonId, Name: req.DisplayName, Roles: rolesFrom(req.Roles), TokenHash: hash})
	})
	if err != nil {
		return nil, err
	}
	if out.Before {
		token = ""
	}
	return &pb.CreatePersonResponse{Person: s.person(req.PersonId), Token: token}, nil
}

// UpdatePerson implements pb.GovernanceServiceServer.
func (s governanceService) UpdatePerson(ctx context.Context, req *pb.UpdatePersonRequest) (*pb.UpdatePersonResponse, error) {
	var c check
	id := c.named("name", req.Name, "people")
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	token := ""
	q := govern.PersonChange{ID: id, Roles: rolesFrom(req.Roles), Disable: req.Disable}
	if req.RenewToken {
		token, q.TokenHash = newToken()
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) { return t.ChangePerson(t.Call, q) })
	if err != nil {
		return nil, err
	}
	if out.Before {
		token = ""
	}
	return &pb.UpdatePersonResponse{Person: s.person(id), Token: token}, nil
}

// ListPeople implements pb.GovernanceServiceServer.
func (s governanceService) ListPeople(_ context.Context, req *pb.ListPeopleRequest) (*pb.ListPeopleResponse, error) {
	size, err := pageSize(req.PageSize, 50, 500)
	if err != nil {
		return nil, err
	}
	var all []govern.Person
	s.view(func(st *govern.State) { all = st.People() })
	part, next, err := page(all, personToken, req.PageToken, size, func(p govern.Person) string { return p.ID })
	if err != nil {
		return nil, err
	}
	res := &pb.ListPeopleResponse{NextPageToken: next}
	for _, p := range part {
		res.People = append(res.People, personToProto(p))
	}
	return res, nil
}

// GetMe implements pb.GovernanceServiceServer.
func (s governanceService) GetMe(ctx context.Context, _ *pb.GetMeRequest) (*pb.GetMeResponse, error) {
	a, err := s.caller(ctx)
	if err != nil {
		return nil, err
	}
	res := &pb.GetMeResponse{Person: s.person(a.Person)}
	s.view(func(st *govern.State) { res.Unclaimed = !st.Claimed() })
	if res.Person == nil {
		res.Person = &pb.Person{Name: "people/" + a.Person, DisplayName: a.Name}
	}
	return res, nil
}

// person is nil for nobody.
func (s *Service) person(id string) (out *pb.Person) {
	s.view(func(st *govern.State) {
		if p, ok := st.Person(id); ok {
			out = personToProto(p)
		}
	})
	return out
}

func personToProto(p govern.Person) *pb.Person {
	return &pb.Person{Name: "people/" + p.ID, DisplayName: p.Name, Roles: rolesToProto(p.Roles), Disabled: p.Disabled, CreateTime: timestamppb.New(p.Created)}
}

func rolesFrom(in []string) []govern.Role {
	out := make([]govern.Role, len(in))
	for i, r := range in {
		out[i] = govern.Role(r)
	}
	return out
}

// AcknowledgeCard implements pb.GovernanceServiceServer.
func (s governanceService) AcknowledgeCard(ctx context.Context, req *pb.AcknowledgeCardRequest) (*pb.AcknowledgeCardResponse, error) {
	var c check
	c.slug("site", req.Site, "tannery-row")
	c.text("person", req.Person, maxNameRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		return t.AcknowledgeCard(t.Call, rules(), govern.CardSeen{Site: req.Site, Edition: req.Edition, Person: req.Person})
	})
	return &pb.AcknowledgeCardResponse{}, err
}

// ListTraining implements pb.GovernanceServiceServer.
func (s governanceService) ListTraining(_ context.Context, req *pb.ListTrainingRequest) (*pb.ListTrainingResponse, error) {
	res := &pb.ListTrainingResponse{}
	var err error
	s.view(func(st *govern.State) {
		if _, ok := st.Edition(req.Edition); !ok {
			err = noRollout(req.Edition)
			return
		}
		for _, x := range st.Training(req.Edition) {
			res.Sites = append(res.Sites, &pb.SiteTraining{Site: x.Site, PeopleCount: int32(x.People), //nolint:gosec // a crew
				Acknowledged: int32(x.Acknowledged), Needed: int32(x.Needed)}) //nolint:gosec // a crew
		}
	})
	if err != nil {
		return nil, err
	}
	return res, nil
}
