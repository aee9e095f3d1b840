package console

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	cookieName = "samecup_console"
	// sessionFor is how long a sign-in lasts; a working day and its evening.
	sessionFor = 14 * time.Hour
	// maxSessions bounds the table; the oldest go first.
	maxSessions = 10_000
	// whoFor is how long an answer about a person is believed; whoAwayFor while
	// the authority cannot be asked.
	whoFor     = 20 * time.Second
	whoAwayFor = 10 * time.Minute
	maxToken   = 512
)

// errSignIn asks for a sign-in.
var errSignIn = errors.New("sign in")

// person is who asks.
type person struct {
	// Name is a slug, Display what is shown. Local is somebody at this machine
	// while no person was added: everything is allowed.
	Name, Display string
	Roles         []string
	Local         bool
	token         string
}

// any says whether the person has one of the roles.
func (p person) any(roles ...string) bool {
	return p.Local || slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(p.Roles, r) })
}

// May says for templates whether the person has a role.
func (p person) May(roles ...string) bool { return p.any(roles...) }

// sessions are the sign-ins by the hash of the cookie. They are kept in memory:
// a restart signs everybody out, and no token is ever in a browser.
type sessions struct {
	mu   sync.Mutex
	byID map[[32]byte]session
}

type session struct {
	token string
	until time.Time
}

func (s *sessions) add(token string, now time.Time) string {
	var raw [32]byte
	_, _ = rand.Read(raw[:]) // never fails: it ends the program instead
	id := base64.RawURLEncoding.EncodeToString(raw[:])
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.byID == nil {
		s.byID = map[[32]byte]session{}
	}
	if len(s.byID) >= maxSessions {
		var oldest [32]byte
		first := now.Add(2 * sessionFor)
		for k, v := range s.byID {
			if v.until.Before(first) {
				oldest, first = k, v.until
			}
		}
		delete(s.byID, oldest)
	}
	s.byID[sha256.Sum256([]byte(id))] = session{token: token, until: now.Add(sessionFor)}
	return id
}

func (s *sessions) token(id string, now time.Time) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := sha256.Sum256([]byte(id))
	got, ok := s.byID[key]
	if ok && now.After(got.until) {
		delete(s.byID, key)
		return ""
	}
	return got.token
}

func (s *sessions) end(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.byID, sha256.Sum256([]byte(id)))
}

// whoCache remembers who a token belongs to; "" is the caller without one.
type whoCache struct {
	mu sync.Mutex
	by map[string]whoKnown
}

type whoKnown struct {
	me person
	at time.Time
}

// whoAsks tells who a request is from.
func (c *Console) whoAsks(r *http.Request) (person, error) {
	token := ""
	if k, err := r.Cookie(cookieName); err == nil {
		if token = c.sessions.token(k.Value, c.now()); token == "" {
			return person{}, errSignIn
		}
	}
	me, err := c.personOf(r.Context(), token)
	if err == nil && me.Local && !c.fromHere(r) {
		return person{}, errSignIn
	}
	return me, err
}

// personOf asks the authority whose a token is.
func (c *Console) personOf(ctx context.Context, token string) (person, error) {
	now := c.now()
	c.who.mu.Lock()
	known, ok := c.who.by[token]
	c.who.mu.Unlock()
	if ok && now.Sub(known.at) < whoFor {
		return known.me, nil
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
	}
	res, err := c.ask.office.GetMe(ctx, &pb.GetMeRequest{})
	switch status.Code(err) {
	case codes.OK:
	case codes.Unauthenticated, codes.PermissionDenied:
		return person{}, errSignIn
	default:
		// Quality's pages go on while the authority is away.
		if ok && now.Sub(known.at) < whoAwayFor {
			return known.me, nil
		}
		return person{}, err
	}
	me := person{token: token}
	switch p := res.GetPerson(); {
	case res.GetUnclaimed():
		me.Name, me.Display, me.Local = "local", "You, at this machine", true
	case p == nil || p.GetName() == "":
		return person{}, errSignIn
	default:
		me.Name, me.Display, me.Roles = strings.TrimPrefix(p.GetName(), "people/"), p.GetDisplayName(), p.GetRoles()
	}
	c.who.mu.Lock()
	defer c.who.mu.Unlock()
	if c.who.by == nil || len(c.who.by) > maxSessions {
		c.who.by = map[string]whoKnown{}
	}
	c.who.by[token] = whoKnown{me, now}
	return me, nil
}

// fromHere says that a request was made on this machine, by its own name and
// through nothing in between.
func (c *Console) fromHere(r *http.Request) bool {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil || r.Header.Get("X-Forwarded-For") != "" || r.Header.Get("Forwarded") != "" || !ownName(r.Host) {
		return false
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback()
}

// signInPage is what the form shows.
type signInPage struct {
	Next, Wrong string
}

func (c *Console) signInForm(w http.ResponseWriter, r *http.Request) {
	c.signInAgain(w, r, http.StatusOK, "")
}

func (c *Console) signInAgain(w http.ResponseWriter, r *http.Request, code int, wrong string) {
	c.render(w, r, "signin", code, &shell{Title: "Sign in", Path: r.URL, Now: c.now(), Data: signInPage{Next: localPath(r.FormValue("next")), Wrong: wrong}})
}

// localPath keeps a sign-in from leading to another host.
func localPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n") {
		return "/"
	}
	return next
}

func (c *Console) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	token := strings.TrimSpace(r.FormValue("token"))
	if token == "" || len(token) > maxToken || strings.ContainsFunc(token, func(r rune) bool { return r < '!' || r > '~' }) {
		c.signInAgain(w, r, http.StatusUnprocessableEntity, "A token begins with sct_ and holds no spaces; paste the whole of it.")
		return
	}
	me, err := c.personOf(r.Context(), token)
	switch {
	case errors.Is(err, errSignIn), err == nil && me.Local:
		c.signInAgain(w, r, http.StatusForbidden, "This token belongs to nobody here, or to somebody who was disabled. An administrator can give you a new one.")
		return
	case err != nil:
		c.fail(w, r, person{}, err)
		return
	}
	// #nosec G124 -- Secure is set wherever the request came over TLS
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: c.sessions.add(token, c.now()), Path: "/", MaxAge: int(sessionFor.Seconds()),
		HttpOnly: true, Secure: overTLS(r), SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, localPath(r.FormValue("next")), http.StatusSeeOther)
}

func overTLS(r *http.Request) bool {
	return r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https"
}

func (c *Console) signOut(w http.ResponseWriter, r *http.Request) {
	if k, err := r.Cookie(cookieName); err == nil {
		c.sessions.end(k.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, Secure: overTLS(r), SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}
