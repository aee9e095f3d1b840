package authority

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	codeLife   = 15 * time.Minute
	codeLength = 8
	// codeAlphabet leaves out what is misread on paper or over the phone:
	// 0 and O, 1, I and L, U and V. 29 letters in 8 places are 5·10¹¹ codes;
	// a thousand guesses a second for 15 minutes hit one of ten open codes
	// once in 50,000 such attacks.
	codeAlphabet = "23456789ABCDEFGHJKMNPQRSTWXYZ"
)

// CreateEnrolment implements pb.FleetServiceServer. A new code voids the
// station's earlier ones. An enrolled station may enrol again, as when its machine
// was changed or wiped. The same request again is answered without the code, of
// which only a hash is kept.
func (s fleetService) CreateEnrolment(ctx context.Context, req *pb.CreateEnrolmentRequest) (*pb.CreateEnrolmentResponse, error) {
	var c check
	c.slug("site", req.Site, "tannery-row")
	c.slug("station", req.Station, "bar-1")
	call, err := s.writeOnce(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	code := newCode()
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		expires := t.At().Add(codeLife)
		t.commit.Enrolment = &store.Enrolment{StationKey: store.StationKey{Site: req.Site, Station: req.Station}, CodeHash: hashCode(code), ExpiresAt: expires}
		t.commit.Now = t.At()
		return t.MakeEnrolment(t.Call, req.Site, req.Station, expires)
	})
	if err != nil {
		return nil, err
	}
	made, _, err := firstAct[*govern.EnrolmentMade](ctx, s.Service, out)
	if err != nil {
		return nil, err
	}
	if out.Before {
		code = ""
	}
	return &pb.CreateEnrolmentResponse{Code: code, ExpireTime: timestamppb.New(made.Expires)}, nil
}

// newCode draws each letter evenly: bytes at and above the last whole multiple
// of the alphabet are drawn again.
func newCode() string {
	const even = 256 - 256%len(codeAlphabet)
	code := make([]byte, 0, codeLength)
	var b [4 * codeLength]byte
	for len(code) < codeLength {
		_, _ = rand.Read(b[:]) // never fails, as documented
		for _, v := range b {
			if int(v) < even && len(code) < codeLength {
				code = append(code, codeAlphabet[int(v)%len(codeAlphabet)])
			}
		}
	}
	return string(code)
}

// normalCode undoes what people do to a code when they type it.
func normalCode(text string) (code string, ok bool) {
	code = strings.ToUpper(strings.NewReplacer(" ", "", "-", "", "\t", "", "\n", "").Replace(text))
	if len(code) != codeLength {
		return "", false
	}
	for i := range len(code) {
		if strings.IndexByte(codeAlphabet, code[i]) < 0 {
			return "", false
		}
	}
	return code, true
}

// hashCode keeps the codes themselves out of the database and its backups.
func hashCode(code string) [32]byte { return sha256.Sum256([]byte("samecup enrolment " + code)) }
