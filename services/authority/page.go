package authority

import (
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/services/authority/store"
)

// Page tokens are opaque to clients. The letter in front keeps a token of one
// list from being read by another.
const (
	releaseToken = "r"
	stationToken = "s"
	siteToken    = "t"
)

// pageSize applies the rules of AIP-158: 0 means the default, too many means
// the most, less than nothing is an error.
func pageSize(asked int32, usual, most int) (int, error) {
	switch {
	case asked < 0:
		return 0, rpc.Invalid(rpc.Violation{Field: "page_size",
			Description: fmt.Sprintf("is %d; use 1 to %d, or 0 for %d", asked, most, usual)})
	case asked == 0:
		return usual, nil
	}
	return min(int(asked), most), nil
}

func encodeToken(kind, body string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(kind + body))
}

func decodeToken(kind, token string) (body string, ok bool) {
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		return "", false
	}
	return strings.CutPrefix(string(raw), kind)
}

func badToken() error {
	return rpc.Invalid(rpc.Violation{Field: "page_token",
		Description: "is not a token of this list; send next_page_token as it came, or leave it empty to start again"})
}

func encodeReleaseToken(before uint64) string {
	return encodeToken(releaseToken, strconv.FormatUint(before, 10))
}

// decodeReleaseToken returns 0 for the empty token.
func decodeReleaseToken(token string) (before uint64, err error) {
	if token == "" {
		return 0, nil
	}
	body, ok := decodeToken(releaseToken, token)
	if !ok {
		return 0, badToken()
	}
	before, err = strconv.ParseUint(body, 10, 63)
	if err != nil || before == 0 {
		return 0, badToken()
	}
	return before, nil
}

func encodeStationToken(last store.StationKey) string {
	return encodeToken(stationToken, last.Site+"/"+last.Station)
}

func decodeStationToken(token string) (after store.StationKey, err error) {
	if token == "" {
		return after, nil
	}
	body, ok := decodeToken(stationToken, token)
	if !ok {
		return after, badToken()
	}
	after.Site, after.Station, ok = strings.Cut(body, "/")
	if !ok || after.Site == "" || after.Station == "" {
		return store.StationKey{}, badToken()
	}
	return after, nil
}
