package station

import (
	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
)

// ears are the subscriptions to what the centre pushes. They change when the
// station is placed in another region.
type ears struct {
	nc   *nats.Conn
	log  *zap.Logger
	hear nats.MsgHandler
	open map[string]*nats.Subscription
}

func newEars(nc *nats.Conn, log *zap.Logger, hear nats.MsgHandler) *ears {
	return &ears{nc: nc, log: log, hear: hear, open: map[string]*nats.Subscription{}}
}

// tune listens to these subjects and to no others.
func (e *ears) tune(subjects []string) {
	wanted := make(map[string]bool, len(subjects))
	for _, subject := range subjects {
		wanted[subject] = true
		if _, open := e.open[subject]; open {
			continue
		}
		sub, err := e.nc.Subscribe(subject, e.hear)
		if err == nil {
			err = sub.SetPendingLimits(pendingMessages, pendingBytes)
		}
		if err != nil {
			// The direct reads go on all the same, and the next tuning tries again.
			e.log.Error("what the centre pushes cannot be heard", zap.String("subject", subject), zap.Error(err))
			continue
		}
		e.open[subject] = sub
	}
	for subject, sub := range e.open {
		if !wanted[subject] {
			_ = sub.Unsubscribe() // it fails only where the connection is closed, and then nothing is heard
			delete(e.open, subject)
		}
	}
}
