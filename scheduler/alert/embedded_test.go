package alert_test

import (
	"net/netip"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// embedded are the IPv6 addresses that lead to an IPv4 one: mapped (RFC 4291
// 2.5.5.2), compatible (2.5.5.1), NAT64 (RFC 6052), 6to4 (RFC 3056) and Teredo
// (RFC 4380, the client's address inverted).
func embedded(v4 netip.Addr) []netip.Addr {
	a := v4.As4()
	tail := func(prefix ...byte) netip.Addr {
		var b [16]byte
		copy(b[:], prefix)
		copy(b[12:], a[:])
		return netip.AddrFrom16(b)
	}
	teredo := [16]byte{0x20, 0x01, 12: a[0] ^ 0xff, a[1] ^ 0xff, a[2] ^ 0xff, a[3] ^ 0xff}
	return []netip.Addr{
		tail(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xff, 0xff), tail(), tail(0, 0x64, 0xff, 0x9b),
		netip.AddrFrom16([16]byte{0x20, 0x02, a[0], a[1], a[2], a[3]}), netip.AddrFrom16(teredo),
	}
}

// Every forbidden IPv4 address is forbidden in each of its disguises, too, and
// none is connected to.
func TestNoDisguisedAddressIsDialled(t *testing.T) {
	vectors := map[netip.Addr]bool{}
	for _, ip := range forbidden() {
		vectors[ip] = true
		if ip.Is4() {
			for _, disguised := range embedded(ip) {
				vectors[disguised] = true
			}
		}
	}
	require.GreaterOrEqual(t, len(vectors), 200)
	t.Logf("%d addresses", len(vectors))
	poster := alert.NewPoster(alert.PosterConfig{Dial: time.Second})
	t.Cleanup(poster.Close)
	for ip := range vectors {
		require.ErrorIs(t, alert.Guard{}.CheckIP(ip), alert.ErrAddress, ip.String())
		a := poster.Post(t.Context(), message("https://"+netip.AddrPortFrom(ip, 443).String()+"/hook"))
		require.Equal(t, alert.Permanent, a.Outcome, ip.String())
		require.Contains(t, a.Error, "not allowed", ip.String())
	}
}
