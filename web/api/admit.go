package api

import (
	"net/http"
	"strings"
	"time"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// Requests are bounded, so that a program gone wild leaves room for the bench: each token, and each address, behind which
// several may stand. Far above what a logger or a nightly script asks.
const (
	tokenMost   = 1200
	addressMost = 3000
	window      = time.Minute
)

func addressKey(address string) string    { return "api:" + address }
func tokenKey(token store.TokenID) string { return "api:token:" + store.Text(token) }

// admit finds out who asks and whether they may.
func (s *site) admit(w http.ResponseWriter, r *http.Request, of kind) (store.Bearer, error) {
	ctx, now := r.Context(), s.house.Clock()
	if err := s.house.Store.Throttle(ctx, addressKey(s.house.Address(r)), addressMost, window, now); err != nil {
		return store.Bearer{}, err
	}
	text, ok := bearerText(r.Header)
	if !ok {
		return store.Bearer{}, fault.New(fault.Sign, "Send a token: Authorization: Bearer TOKEN. An owner makes one under Settings, Tokens.")
	}
	bearer, err := s.house.Store.TokenWho(ctx, text, now)
	if err != nil {
		if fault.Is(err, fault.Sign) {
			s.house.Log.Warn("token refused", "address", s.house.Address(r), "request", requestID(r))
			w.Header().Set("WWW-Authenticate", `Bearer realm="stillroom", error="invalid_token"`)
			return store.Bearer{}, &Problem{Status: http.StatusUnauthorized, Detail: fault.As(err).Message}
		}
		return store.Bearer{}, err
	}
	if err := s.house.Store.Throttle(ctx, tokenKey(bearer.Token), tokenMost, window, now); err != nil {
		return store.Bearer{}, err
	}
	if of == writes && bearer.ReadOnly {
		s.house.Log.Warn("denied", "token", bearer.Who.Name, "path", r.URL.Path, "request", requestID(r))
		return store.Bearer{}, fault.New(fault.Forbidden, "This token may only read. An owner makes one that may also write under Settings, Tokens.")
	}
	bearer.Who.RequestID = requestID(r)
	return bearer, nil
}

// bearerText is the token of the Authorization header (RFC 6750 section 2.1; the scheme's name in any case).
func bearerText(h http.Header) (string, bool) {
	scheme, text, ok := strings.Cut(h.Get("Authorization"), " ")
	return strings.TrimSpace(text), ok && strings.EqualFold(scheme, "Bearer") && strings.TrimSpace(text) != ""
}
