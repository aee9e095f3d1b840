package release

// PreAuth lets the tests see the bytes that are signed.
var PreAuth = preAuth
