package quality

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

const (
	defaultCases = 50
	maxCases     = 500
)

// caseServer answers from what is saved alone, so that it neither waits for the
// watch nor holds it up.
type caseServer struct {
	pb.UnimplementedCaseServiceServer
	service *Service
}

// caseToken is where a list goes on. Of is the digest of the request.
type caseToken struct {
	Of   []byte `json:"o"`
	Rank string `json:"r,omitempty"`
	Seq  int64  `json:"s,omitempty"`
}

func (t caseToken) encode() (string, error) {
	text, err := json.Marshal(t)
	if err != nil {
		return "", fmt.Errorf("write a page token: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(text), nil
}

func (c *checker) caseToken(text string, of []byte) (t caseToken) {
	if text == "" {
		return t
	}
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || json.Unmarshal(raw, &t) != nil || !slices.Equal(t.Of, of) {
		c.bad("page_token", "not a token of this list; pass next_page_token as it was given, with the same request")
	}
	return t
}

func (s *caseServer) ListCases(ctx context.Context, req *pb.ListCasesRequest) (*pb.ListCasesResponse, error) {
	var c checker
	limit := c.page(req.PageSize, defaultCases, maxCases)
	of, err := digest(&pb.ListCasesRequest{OpenOnly: req.OpenOnly, Site: req.Site})
	if err != nil {
		return nil, err
	}
	after := c.caseToken(req.PageToken, of)
	if err := c.err(); err != nil {
		return nil, err
	}
	db, err := s.service.casework()
	if err != nil {
		return nil, err
	}
	// Before the list is read, so that 0 says that nothing is missing from it.
	waiting, err := db.WaitingBuilds(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := db.ListCases(ctx, store.CaseQuery{AfterRank: after.Rank, Limit: limit + 1, OpenOnly: req.OpenOnly, Site: req.Site})
	if err != nil {
		return nil, err
	}
	res := &pb.ListCasesResponse{WaitingBuilds: waiting}
	for i := range rows[:min(len(rows), limit)] {
		_, k, err := caseRow(rows[i].Body)
		if err != nil {
			return nil, err
		}
		res.Cases = append(res.Cases, caseProto(k))
	}
	if len(rows) > limit {
		res.NextPageToken, err = caseToken{Of: of, Rank: rows[limit-1].Rank}.encode()
	}
	return res, err
}

func (s *caseServer) GetCase(ctx context.Context, req *pb.GetCaseRequest) (*pb.GetCaseResponse, error) {
	var c checker
	c.caseID(req.Id)
	if err := c.err(); err != nil {
		return nil, err
	}
	db, err := s.service.casework()
	if err != nil {
		return nil, err
	}
	row, err := db.Case(ctx, req.Id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, noCase(req.Id)
	}
	if err != nil {
		return nil, err
	}
	_, k, err := caseRow(row.Body)
	if err != nil {
		return nil, err
	}
	res := &pb.GetCaseResponse{Case: caseProto(k)}
	for i := range k.Evidence {
		builds, err := db.EvidenceOf(ctx, k.Evidence[i].ID)
		if err != nil {
			return nil, err
		}
		res.Evidence = append(res.Evidence, signalProto(&k.Evidence[i], k.ID, builds))
	}
	for _, e := range k.History {
		res.History = append(res.History, &pb.CaseEntry{Time: stamp(e.At), Actor: e.Who, Text: e.What})
	}
	if k.Fix != nil {
		res.Effect = effectProto(k.Effect())
	}
	return res, nil
}

// signals reads a page of signals and where it goes on.
func (s *caseServer) signals(ctx context.Context, page int32, token string, of proto.Message, q store.SignalQuery) (rows []store.SignalRow, list []*watch.Signal, next string, err error) {
	var c checker
	limit := c.page(page, defaultCases, maxCases)
	sum, err := digest(of)
	if err != nil {
		return nil, nil, "", err
	}
	q.Before = c.caseToken(token, sum).Seq
	if err := c.err(); err != nil {
		return nil, nil, "", err
	}
	db, err := s.service.casework()
	if err != nil {
		return nil, nil, "", err
	}
	q.Limit = limit + 1
	if rows, err = db.Signals(ctx, q); err != nil {
		return nil, nil, "", err
	}
	if len(rows) > limit {
		rows = rows[:limit]
		next, err = caseToken{Of: sum, Seq: rows[limit-1].Seq}.encode()
	}
	for i := range rows {
		g := new(watch.Signal)
		if err := json.Unmarshal(rows[i].Body, g); err != nil {
			return nil, nil, "", fmt.Errorf("read signal %s: %w", rows[i].ID, err)
		}
		list = append(list, g)
	}
	return rows, list, next, err
}

func (s *caseServer) ListSignals(ctx context.Context, req *pb.ListSignalsRequest) (*pb.ListSignalsResponse, error) {
	db, err := s.service.casework()
	if err != nil {
		return nil, err
	}
	// Before the list is read, as in ListCases.
	waiting, err := db.WaitingBuilds(ctx)
	if err != nil {
		return nil, err
	}
	rows, list, next, err := s.signals(ctx, req.PageSize, req.PageToken,
		&pb.ListSignalsRequest{Site: req.Site, Kind: req.Kind, CaseId: req.CaseId},
		store.SignalQuery{Site: req.Site, Kind: req.Kind, CaseID: req.CaseId})
	if err != nil {
		return nil, err
	}
	res := &pb.ListSignalsResponse{NextPageToken: next, WaitingBuilds: waiting}
	for i, g := range list {
		res.Signals = append(res.Signals, signalProto(g, rows[i].CaseID, rows[i].BuildIDs))
	}
	return res, nil
}

func (s *caseServer) ListQuestions(ctx context.Context, req *pb.ListQuestionsRequest) (*pb.ListQuestionsResponse, error) {
	rows, list, next, err := s.signals(ctx, req.PageSize, req.PageToken, &pb.ListQuestionsRequest{Site: req.Site},
		store.SignalQuery{Site: req.Site, Kind: string(watch.SignalQuestion)})
	if err != nil {
		return nil, err
	}
	res := &pb.ListQuestionsResponse{NextPageToken: next}
	for i, g := range list {
		res.Questions = append(res.Questions, &pb.Question{CaseId: rows[i].CaseID, Site: g.Site, Station: g.Station, Text: g.Words,
			Method: g.Method, Sure: g.Sure, SeenTime: stamp(g.Seen), BuildIds: rows[i].BuildIDs})
	}
	return res, nil
}

func (c *checker) caseID(id string) {
	if id == "" {
		c.bad("id", "it is empty; give a case's id, such as C-00001")
	}
}

func noCase(id string) error {
	return rpc.Fail(codes.NotFound, "CASE_NOT_FOUND", fmt.Sprintf("there is no case %q; list the cases for those there are", id), map[string]string{"id": id})
}
