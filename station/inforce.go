package station

import (
	"crypto/sha256"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// ErrNoRelease is returned while no release is in force.
var ErrNoRelease = errors.New("no release is in force at this station")

// InForce returns the number of the release in force and its signed payload, a
// pb.Release, byte for byte as it stands on this station's disk; ErrNoRelease
// before the first. It is for comparing stations with the centre.
func (a *Agent) InForce() (number uint64, payload []byte, err error) {
	o := a.shelf.InForce(a.cfg.Now())
	if o == nil {
		return 0, nil, ErrNoRelease
	}
	raw, err := a.shelf.Envelope(o.Release)
	if err != nil {
		return 0, nil, err
	}
	var env pb.Envelope
	if err := proto.Unmarshal(raw, &env); err != nil {
		return 0, nil, fmt.Errorf("read the envelope of release %d: %w", o.Release, err)
	}
	if sha256.Sum256(env.Payload) != o.Held.Digest {
		return 0, nil, fmt.Errorf("release %d on disk is not what was verified; restart the station to fetch it anew", o.Release)
	}
	return o.Release, env.Payload, nil
}
