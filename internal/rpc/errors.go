package rpc

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
)

// Domain is the domain of our error reasons.
const Domain = "samecup"

// Violation is one thing wrong with a request.
type Violation struct {
	// Field is the path of the field in the request.
	Field string
	// Description names the value, what is allowed and what to do.
	Description string
}

// predicates begin descriptions whose subject is the field.
var predicates = []string{"is", "are", "has", "have", "holds", "hold", "names", "cannot", "must", "lacks", "leaves", "was", "comes", "needs", "make"}

// told are fields whose value a sentence of its own names anyway.
var told = []string{"name", "draft", "edition", "to_edition", "base_edition", "site", "site.id", "roles"}

// String is the violation as a sentence: "scope is \"x\"; write chain, …". What is
// a sentence of its own has the field in front, unless it names the thing itself.
func (v Violation) String() string {
	first, _, _ := strings.Cut(v.Description, " ")
	switch {
	case v.Field == "":
		return v.Description
	case slices.Contains(predicates, first) && !strings.ContainsAny(v.Field, ": "):
		return v.Field + " " + v.Description
	case slices.Contains(told, v.Field):
		return v.Description
	}
	return v.Field + ": " + v.Description
}

// Invalid is an INVALID_ARGUMENT error that carries each violation.
func Invalid(violations ...Violation) error {
	return violated(codes.InvalidArgument, "BAD_REQUEST", violations)
}

// Blocked is a FAILED_PRECONDITION error that carries each violation: the
// request is well formed, but what it asks for may not be done as things are.
func Blocked(reason string, violations ...Violation) error {
	return violated(codes.FailedPrecondition, reason, violations)
}

// Conflict is an ABORTED error that carries each violation: somebody else was
// faster, and the caller is to read again and repeat.
func Conflict(reason string, violations ...Violation) error {
	return violated(codes.Aborted, reason, violations)
}

func violated(code codes.Code, reason string, violations []Violation) error {
	br := &errdetails.BadRequest{}
	lines := make([]string, len(violations))
	for i, v := range violations {
		field, description := strings.ToValidUTF8(v.Field, "?"), strings.ToValidUTF8(v.Description, "?")
		br.FieldViolations = append(br.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: field, Description: description})
		lines[i] = Violation{Field: field, Description: description}.String()
	}
	return detailed(code, strings.Join(lines, "; "), &errdetails.ErrorInfo{Reason: reason, Domain: Domain}, br)
}

// Fail is an error of any code with a reason from the table in DEVELOPERS.md.
func Fail(code codes.Code, reason, msg string, meta map[string]string) error {
	return detailed(code, msg, &errdetails.ErrorInfo{Reason: reason, Domain: Domain, Metadata: meta})
}

func detailed(code codes.Code, msg string, details ...protoadapt.MessageV1) error {
	const maxMessage = 4 << 10 // headers are bounded; the details carry the rest
	if len(msg) > maxMessage {
		msg = msg[:maxMessage] + "…"
	}
	// A cut within a letter, or a caller's own bytes, would make the status
	// impossible to marshal and lose its details on the way.
	msg = strings.ToValidUTF8(msg, "?")
	st, err := status.New(code, msg).WithDetails(details...)
	if err != nil {
		return status.Error(code, msg)
	}
	return st.Err()
}
