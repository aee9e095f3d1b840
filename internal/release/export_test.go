package release

// PreAuth lets the tests see the bytes that are signed.
var PreAuth = preAuth

// ParseKeyText reads a key file's bytes.
var ParseKeyText = parseKeyText

// SealState puts the head and the checksum around the body of a state.
func SealState(body []byte) []byte { return sealState(body) }
