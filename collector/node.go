package collector

import (
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	"github.com/gopcua/opcua/ua"
)

// nodeRef is a node id with its namespace by URI, the only form that survives a
// server's restart (F1). The zero URI is the OPC UA namespace.
type nodeRef struct {
	uri  string
	kind byte // i, s, g, b
	num  uint32
	text string // identifier for s, GUID in upper case for g, bytes for b
}

// parseNode reads "nsu=<uri>;<i|s|g|b>=<identifier>", or an identifier alone
// for namespace 0. In the URI %3B and %25 stand for ';' and '%' (OPC 10000-6,
// 5.1.12).
func parseNode(s string) (nodeRef, error) {
	bad := func(why string) (nodeRef, error) {
		return nodeRef{}, fmt.Errorf("node id %q: %s; write nsu=<namespace URI>;s=<name>", s, why)
	}
	var r nodeRef
	rest := s
	switch {
	case strings.HasPrefix(s, "nsu="):
		cut := -1
		for _, k := range []string{";s=", ";i=", ";g=", ";b="} {
			if j := strings.Index(s, k); j > 0 && (cut < 0 || j < cut) {
				cut = j
			}
		}
		if cut < 0 {
			return bad("there is no identifier")
		}
		r.uri, rest = unescapeURI(s[len("nsu="):cut]), s[cut+1:]
		if r.uri == "" {
			return bad("the namespace URI is empty")
		}
		if r.uri == namespaceZero {
			r.uri = ""
		}
	case strings.HasPrefix(s, "ns=0;"):
		rest = s[len("ns=0;"):]
	case strings.HasPrefix(s, "ns="):
		return bad("the namespace is given by its index, which changes when a server restarts")
	}
	if len(rest) < 3 || rest[1] != '=' {
		return bad("there is no identifier")
	}
	r.kind, rest = rest[0], rest[2:]
	switch r.kind {
	case 'i':
		n, err := strconv.ParseUint(rest, 10, 32)
		if err != nil {
			return bad("the number is not one of 0 to 4294967295")
		}
		r.num = uint32(n)
	case 's':
		r.text = rest
	case 'g':
		g := strings.ToUpper(rest)
		if _, err := hex.DecodeString(strings.ReplaceAll(g, "-", "")); err != nil || len(g) != 36 ||
			g[8] != '-' || g[13] != '-' || g[18] != '-' || g[23] != '-' || strings.Count(g, "-") != 4 {
			return bad("the GUID is not of the form 00000000-0000-0000-0000-000000000000")
		}
		r.text = g
	case 'b':
		b, err := base64.StdEncoding.DecodeString(rest)
		if err != nil || len(b) == 0 {
			return bad("the opaque identifier is not base64")
		}
		r.text = string(b)
	default:
		return bad("the identifier starts with none of s=, i=, g=, b=")
	}
	return r, nil
}

const namespaceZero = "http://opcfoundation.org/UA/"

func unescapeURI(s string) string {
	return strings.NewReplacer("%3B", ";", "%3b", ";", "%25", "%").Replace(s)
}

func escapeURI(s string) string { return strings.NewReplacer("%", "%25", ";", "%3B").Replace(s) }

// String gives the form that parseNode reads.
func (r nodeRef) String() string {
	id := ""
	switch r.kind {
	case 'i':
		id = "i=" + strconv.FormatUint(uint64(r.num), 10)
	case 'b':
		id = "b=" + base64.StdEncoding.EncodeToString([]byte(r.text))
	default:
		id = string(r.kind) + "=" + r.text
	}
	if r.uri == "" {
		return id
	}
	return "nsu=" + escapeURI(r.uri) + ";" + id
}

// id gives the node id for a server with these namespaces; false if the server
// does not have the namespace.
func (r nodeRef) id(namespaces []string) (*ua.NodeID, bool) {
	ns := -1
	if r.uri == "" {
		ns = 0
	}
	for i, u := range namespaces {
		if r.uri != "" && u == r.uri && i <= 0xFFFF {
			ns = i
			break
		}
	}
	if ns < 0 {
		return nil, false
	}
	switch r.kind {
	case 'i':
		return ua.NewNumericNodeID(uint16(ns), r.num), true
	case 's':
		return ua.NewStringNodeID(uint16(ns), r.text), true
	case 'g':
		return ua.NewGUIDNodeID(uint16(ns), r.text), true
	}
	return ua.NewByteStringNodeID(uint16(ns), []byte(r.text)), true
}

// refOf is the inverse of nodeRef.id. An index beyond the namespace array gives
// false.
func refOf(id *ua.NodeID, namespaces []string) (nodeRef, bool) {
	r := nodeRef{num: id.IntID()}
	if ns := int(id.Namespace()); ns > 0 {
		if ns >= len(namespaces) || namespaces[ns] == "" {
			return r, false
		}
		r.uri = namespaces[ns]
	}
	switch id.Type() {
	case ua.NodeIDTypeTwoByte, ua.NodeIDTypeFourByte, ua.NodeIDTypeNumeric:
		r.kind = 'i'
	case ua.NodeIDTypeString:
		r.kind, r.text = 's', id.StringID()
	case ua.NodeIDTypeGUID:
		r.kind, r.text = 'g', strings.ToUpper(id.StringID())
	case ua.NodeIDTypeByteString:
		b, err := base64.StdEncoding.DecodeString(id.StringID())
		if err != nil {
			return r, false
		}
		r.kind, r.text = 'b', string(b)
	default:
		return r, false
	}
	return r, true
}
