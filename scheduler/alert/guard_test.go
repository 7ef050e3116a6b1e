package alert_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// special are the address blocks of the IANA IPv4 and IPv6 special-purpose
// registries that are not globally reachable, multicast, the deprecated and
// transition ranges, and a cloud's address outside of them.
var special = strings.Fields(`
	0.0.0.0/8 10.0.0.0/8 100.64.0.0/10 127.0.0.0/8 169.254.0.0/16 172.16.0.0/12 192.0.0.0/24 192.0.2.0/24
	192.88.99.0/24 192.168.0.0/16 198.18.0.0/15 198.51.100.0/24 203.0.113.0/24 224.0.0.0/4 240.0.0.0/4
	168.63.129.16/32 255.255.255.255/32
	::/128 ::1/128 ::/96 64:ff9b::/96 64:ff9b:1::/48 100::/64 2001::/32 2001:db8::/32 2002::/16 3fff::/20 5f00::/16
	fc00::/7 fe80::/10 fec0::/10 ff00::/8`)

func lastOf(p netip.Prefix) netip.Addr {
	b := p.Masked().Addr().AsSlice()
	for i := p.Bits(); i < len(b)*8; i++ {
		b[i/8] |= 0x80 >> (i % 8)
	}
	last, _ := netip.AddrFromSlice(b)
	return last
}

// forbidden are addresses that must never be connected to.
func forbidden() []netip.Addr {
	var list []netip.Addr
	for _, text := range special {
		p := netip.MustParsePrefix(text)
		list = append(list, p.Masked().Addr(), lastOf(p))
		if p.Addr().Is4() {
			for _, a := range []netip.Addr{p.Masked().Addr(), lastOf(p)} {
				list = append(list, netip.AddrFrom16(a.As16())) // ::ffff:a.b.c.d
			}
		}
	}
	for text := range strings.FieldsSeq(`169.254.169.254 100.100.100.200 192.0.0.192 fd00:ec2::254 64:ff9b::a9fe:a9fe
		2002:a9fe:a9fe:: 2001:0:a9fe:a9fe:: ::ffff:169.254.169.254 ::169.254.169.254 10.1.2.3 172.31.255.1 192.168.1.1`) {
		list = append(list, netip.MustParseAddr(text))
	}
	return list
}

// A dialer that reaches for a forbidden address is stopped before it connects,
// whatever name led there.
func TestNoForbiddenAddressIsDialled(t *testing.T) {
	list := forbidden()
	require.GreaterOrEqual(t, len(list), 100)
	poster := alert.NewPoster(alert.PosterConfig{Dial: time.Second})
	for _, ip := range list {
		require.ErrorIs(t, alert.Guard{}.CheckIP(ip), alert.ErrAddress, ip.String())
		a := poster.Post(t.Context(), message("https://"+netip.AddrPortFrom(ip, 443).String()+"/hook"))
		require.Equal(t, alert.Permanent, a.Outcome, ip.String())
		require.Contains(t, a.Error, "not allowed")
	}
}

func TestPublicAddressesPass(t *testing.T) {
	// One outside of each block on both sides, where that isn't another block.
	known := func(ip netip.Addr) bool {
		for _, text := range special {
			if netip.MustParsePrefix(text).Contains(ip) {
				return true
			}
		}
		return false
	}
	checked := 0
	for _, text := range special {
		p := netip.MustParsePrefix(text)
		for _, ip := range []netip.Addr{p.Masked().Addr().Prev(), lastOf(p).Next()} {
			if !ip.IsValid() || known(ip) {
				continue
			}
			checked++
			require.NoError(t, alert.Guard{}.CheckIP(ip), "%s is next to %s", ip, p)
		}
	}
	require.Greater(t, checked, 30)
	for _, text := range []string{"8.8.8.8", "93.184.216.34", "2606:4700::1111", "168.63.129.15"} {
		require.NoError(t, alert.Guard{}.CheckIP(netip.MustParseAddr(text)))
	}
}

func TestAddressesAreRefusedWhenRegistered(t *testing.T) {
	for _, raw := range []string{
		"", "hook", "//example.com/x", "http://example.com/x", "ftp://example.com", "javascript:alert(1)", "file:///etc/passwd",
		"https://", "https:///x", "https://:443/x", "https://user:pw@example.com/", "https://@example.com/", "https://exa mple.com/",
		"https://localhost/", "https://LOCALHOST./", "https://a.localhost/", "https://metadata.google.internal/computeMetadata/v1/",
		"https://x.internal/", "https://printer.local/", "https://db.localdomain/", "https://intranet/",
		"https://127.0.0.1/", "https://127.1/", "https://2130706433/", "https://0x7f000001/", "https://0x7f.0.0.1/", "https://0177.0.0.1/",
		"https://017700000001/", "https://127.0.0.1./", "https://0/", "https://0.0.0.0/", "https://169.254.169.254/", "https://0xA9FEA9FE/",
		"https://example.0x10/", "https://example.99/",
		"https://[::1]/", "https://[::]/", "https://[::ffff:10.0.0.1]/", "https://[fe80::1%25eth0]/", "https://[64:ff9b::a9fe:a9fe]/", "https://[::ffff:7f00:1]/",
		"https://１２７.０.０.１/", "https://ｌocalhost/", "https://exämple.com/", "https://example。com/",
		"https://example.com:22/", "https://example.com:8443/", "https://example.com:0/", "https://example.com:99999/", "https://example.com:x/",
		"https://example.com\\@127.0.0.1/", "https://127.0.0.1#@example.com/", "https://127.0.0.1%2f@example.com/",
	} {
		_, err := alert.Guard{}.CheckURL(raw)
		require.ErrorIs(t, err, alert.ErrAddress, raw)
		require.NotContains(t, err.Error(), "pw", "an address may be a secret")
	}
	for _, raw := range []string{
		"https://example.com/hook?token=1", "https://example.com:443/", "https://hooks.example.co.uk./x", "https://xn--exmple-cua.com/",
		"https://8.8.8.8/", "https://[2606:4700::1111]/x", "https://a_b.example.com/",
	} {
		_, err := alert.Guard{}.CheckURL(raw)
		require.NoError(t, err, raw)
	}
}

func TestWhatTheOperatorAllows(t *testing.T) {
	g := alert.Guard{Allow: alert.Loopback}
	for _, raw := range []string{"http://127.0.0.1:8080/", "http://localhost:9/", "https://[::1]:1/", "http://127.9.9.9/"} {
		_, err := g.CheckURL(raw)
		require.NoError(t, err, raw)
	}
	for _, raw := range []string{"http://10.0.0.1/", "http://example.com/", "https://example.com:8443/", "https://192.168.0.1/"} {
		_, err := g.CheckURL(raw)
		require.Error(t, err, raw)
	}
	_, err := alert.Guard{Ports: []uint16{8443}, PlainHTTP: true}.CheckURL("https://example.com:8443/")
	require.NoError(t, err)
	_, err = alert.Guard{PlainHTTP: true}.CheckURL("http://example.com/")
	require.NoError(t, err)
	require.NoError(t, alert.Guard{Allow: []netip.Prefix{netip.MustParsePrefix("10.1.0.0/16")}}.CheckIP(netip.MustParseAddr("10.1.2.3")))
	require.Error(t, alert.Guard{Allow: []netip.Prefix{netip.MustParsePrefix("10.1.0.0/16")}}.CheckIP(netip.MustParseAddr("10.2.2.3")))
}

// resolver answers every name with the addresses that next gives.
func resolver(t *testing.T, next func(query int) [4]byte) *net.Resolver {
	t.Helper()
	pc, err := (&net.ListenConfig{}).ListenPacket(t.Context(), "udp", "127.0.0.1:0")
	require.NoError(t, err)
	var queries atomic.Int64
	go func() {
		buf := make([]byte, 1500)
		for {
			n, from, err := pc.ReadFrom(buf)
			if err != nil {
				return
			}
			_, _ = pc.WriteTo(dnsAnswer(buf[:n], next(int(queries.Add(1)))), from)
		}
	}()
	t.Cleanup(func() { _ = pc.Close() })
	return &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "udp", pc.LocalAddr().String())
	}}
}

// dnsAnswer repeats the question and, for an A record, gives one address with a
// life of 0 s (RFC 1035 section 4).
func dnsAnswer(query []byte, ip [4]byte) []byte {
	end := 12
	for query[end] != 0 {
		end += int(query[end]) + 1
	}
	end += 5
	kind := binary.BigEndian.Uint16(query[end-4:])
	answer := append([]byte{query[0], query[1], 0x81, 0x80, 0, 1, 0, 0, 0, 0, 0, 0}, query[12:end]...)
	if kind == 1 {
		answer[7] = 1
		answer = append(answer, 0xc0, 12, 0, 1, 0, 1, 0, 0, 0, 0, 0, 4)
		answer = append(answer, ip[:]...)
	}
	return answer
}

func TestNamesAreJudgedByWhatIsDialled(t *testing.T) {
	var hits atomic.Int64
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { hits.Add(1) }))
	t.Cleanup(srv.Close)
	port := srv.Listener.Addr().(*net.TCPAddr).Port
	posterOn := func(r *net.Resolver) *alert.Poster {
		return alert.NewPoster(alert.PosterConfig{Guard: alert.Guard{PlainHTTP: true, Ports: []uint16{uint16(port)}}, Dial: time.Second, Resolver: r})
	}
	for i, ip := range [][4]byte{{127, 0, 0, 1}, {10, 0, 0, 1}, {169, 254, 169, 254}, {100, 100, 100, 200}, {168, 63, 129, 16}, {0, 0, 0, 0}} {
		a := posterOn(resolver(t, func(int) [4]byte { return ip })).Post(t.Context(), message(fmt.Sprintf("http://host%d.example.com:%d/hook", i, port)))
		require.Equal(t, alert.Permanent, a.Outcome)
		require.Contains(t, a.Error, "not public")
	}
	// Rebinding: the name is public when first asked and private after.
	rebinding := posterOn(resolver(t, func(query int) [4]byte {
		if query <= 2 {
			return [4]byte{203, 0, 114, 1}
		}
		return [4]byte{127, 0, 0, 1}
	}))
	for range 3 {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		rebinding.Post(ctx, message(fmt.Sprintf("http://rebind.example.com:%d/hook", port)))
		cancel()
	}
	require.Zero(t, hits.Load())
}

func TestRedactedAddress(t *testing.T) {
	require.Equal(t, "https://hooks.example.com/…", alert.Redact("https://hooks.example.com/T00/B00/secret?k=1"))
	require.Equal(t, "(address)", alert.Redact("::"))
}
