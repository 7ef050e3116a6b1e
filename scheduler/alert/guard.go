package alert

import (
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// A Guard keeps messages from being sent into networks that an outsider must
// not reach through us. The zero Guard lets only https to public addresses on
// port 443 through.
type Guard struct {
	// Allow are ranges let through although they are not public, with any port
	// and with plain http, by the operator's explicit setting.
	Allow []netip.Prefix
	// Ports besides 443.
	Ports []uint16
	// PlainHTTP lets http through to public addresses, on port 80 too.
	PlainHTTP bool
}

// Loopback is this machine, for Guard.Allow.
var Loopback = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}

// denied are the special ranges of the IANA registries (RFC 6890 and later) and
// what clouds keep their metadata on. The predicates of net/netip cover only
// some of them.
var denied = prefixes(
	"0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12",
	"192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15",
	"198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4",
	"168.63.129.16/32", // a public address, yet a cloud's own
	"::/96",            // unspecified, loopback and IPv4-compatible
	"64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/32", "2001:db8::/32", "2002::/16", "3fff::/20",
	"5f00::/16", "fc00::/7", "fe80::/10", "fec0::/10", "ff00::/8",
)

func prefixes(texts ...string) []netip.Prefix {
	list := make([]netip.Prefix, len(texts))
	for i, text := range texts {
		list[i] = netip.MustParsePrefix(text)
	}
	return list
}

// ErrAddress marks an address that the guard refuses.
var ErrAddress = errors.New("address is not allowed")

func refused(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrAddress, fmt.Sprintf(format, a...))
}

// CheckIP refuses addresses that are not public, judging an IPv4 address inside
// an IPv6 one by itself.
func (g Guard) CheckIP(ip netip.Addr) error {
	if !ip.IsValid() || ip.Zone() != "" {
		return refused("it can't be read or has a zone")
	}
	ip = ip.Unmap()
	if g.allowed(ip) {
		return nil
	}
	for _, p := range denied {
		if p.Contains(ip) {
			return refused("%s is not public", p)
		}
	}
	return nil
}

func (g Guard) allowed(ip netip.Addr) bool {
	return slices.ContainsFunc(g.Allow, func(p netip.Prefix) bool { return p.Contains(ip.Unmap()) })
}

func (g Guard) allowsLoopback() bool { return g.allowed(netip.AddrFrom4([4]byte{127, 0, 0, 1})) }

// control is the hook of a dialer: it sees the address that is about to be
// connected to, whatever a name said before.
func (g Guard) control(_, address string, _ syscall.RawConn) error {
	target, err := netip.ParseAddrPort(address)
	if err != nil {
		return refused("it can't be read")
	}
	if err := g.CheckIP(target.Addr()); err != nil {
		return err
	}
	if g.allowed(target.Addr()) {
		return nil
	}
	return g.checkPort(target.Port())
}

func (g Guard) checkPort(port uint16) error {
	if port == 443 || g.PlainHTTP && port == 80 || slices.Contains(g.Ports, port) {
		return nil
	}
	return refused("port %d", port)
}

// CheckURL refuses an address when it is registered, before anything is sent.
// Names are checked again by what they resolve to, each time.
func (g Guard) CheckURL(raw string) (*url.URL, error) {
	u, err := url.Parse(raw)
	if err != nil {
		return nil, refused("it is no URL") // the cause would quote it
	}
	host := strings.ToLower(strings.TrimSuffix(u.Hostname(), "."))
	local := g.isLocal(host)
	switch {
	case u.Scheme != "https" && u.Scheme != "http":
		return nil, refused("it must begin with https://")
	case u.Scheme == "http" && !local && !g.PlainHTTP:
		return nil, refused("it must begin with https://")
	case u.User != nil:
		return nil, refused("it must not hold a user name")
	case host == "":
		return nil, refused("it has no host")
	}
	if err := g.checkHost(host); err != nil {
		return nil, err
	}
	if local {
		return u, nil
	}
	return u, g.checkURLPort(u)
}

func (g Guard) isLocal(host string) bool {
	if host == "localhost" {
		return g.allowsLoopback()
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && g.allowed(ip)
}

func (g Guard) checkURLPort(u *url.URL) error {
	if u.Port() == "" {
		return nil
	}
	port, err := strconv.ParseUint(u.Port(), 10, 16)
	if err != nil {
		return refused("port %.10q", u.Port())
	}
	return g.checkPort(uint16(port))
}

// checkHost refuses names that lead inside and spellings of numbers that
// resolvers read as addresses.
func (g Guard) checkHost(host string) error {
	if ip, err := netip.ParseAddr(host); err == nil {
		return g.CheckIP(ip)
	}
	labels := strings.Split(host, ".")
	last := labels[len(labels)-1]
	switch {
	case strings.ContainsFunc(host, func(r rune) bool { return !isNameRune(r) }):
		return refused("the host has other than letters, digits, dots and hyphens; write it in its xn-- form")
	case host == "localhost" && g.allowsLoopback():
		return nil
	case last == "localhost", last == "internal", last == "local", last == "localdomain":
		return refused("%s leads inside", last)
	case looksNumeric(last):
		return refused("it is a number in disguise")
	case len(labels) == 1:
		return refused("the host is no full name")
	}
	return nil
}

func isNameRune(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '.' || r == '_'
}

// looksNumeric follows the URL standard: a host whose last label is all digits
// or begins with 0x is an IPv4 address, in whatever base.
func looksNumeric(label string) bool {
	return strings.HasPrefix(label, "0x") || strings.Trim(label, "0123456789") == ""
}

// Redact leaves of an address what may be shown: scheme, host and port.
func Redact(raw string) string {
	u, err := url.Parse(raw)
	if err != nil || u.Host == "" {
		return "(address)"
	}
	return u.Scheme + "://" + u.Host + "/…"
}
