#!/usr/bin/env bash
# Boots a Debian of its own, with systemd, in a container, installs the package
# there and does to the unit what years do: it is started, reloaded, stuck,
# killed, upgraded, powered off and on, and removed.
#   deploy/try-unit.sh outyard_….deb     (root; debootstrap, systemd-container)
# The container has no network but its own loopback. Nothing is left behind.
# FRESH=FOLDER uses a Debian with systemd that is there already, on a copy.
set -euo pipefail

deb=${1:?name the package: deploy/try-unit.sh outyard_....deb}
deb=$(realpath "$deb")
suite=${SUITE:-bookworm} mirror=${MIRROR:-http://deb.debian.org/debian}
packages=systemd,systemd-sysv,dbus,mosquitto-clients,curl,ca-certificates,procps
export LC_ALL=C DEBIAN_FRONTEND=noninteractive PATH="$PATH:/usr/sbin:/sbin"

[ "$(id -u)" = 0 ] || { echo "run it as root: it makes a Debian in a folder and boots it" >&2; exit 1; }
for needed in debootstrap systemd-nspawn; do
	command -v $needed >/dev/null || { apt-get update -q; apt-get install -qy --no-install-recommends debootstrap systemd-container; }
done

work=$(mktemp -d)
root=$work/debian
nspawn=
leader=
# Ends the container as the power would.
pull() {
	[ -n "$nspawn" ] || return 0
	[ -z "$leader" ] || kill -KILL "$leader" 2>/dev/null || true
	# What does not end by that is ended too: nothing here waits for ever.
	until_so 30 gone "$nspawn" || kill -KILL "$nspawn" 2>/dev/null || true
	until_so 10 gone "$nspawn" || { echo "the container does not end: process $nspawn" >&2; return 1; }
	nspawn=""
	leader=""
}
cleanup() {
	local code=$?
	trap - EXIT
	if [ "$code" -ne 0 ] && [ -n "$nspawn" ]; then inside journalctl --no-pager -u outyard -n 60 >&2 || true; fi
	pull || code=1
	rm -rf --one-file-system "$work"
	exit "$code"
}
trap cleanup EXIT

step() { echo "== $*"; }
die() { echo "FAILED: $*" >&2; exit 1; }
# Whether a process has ended; one that nobody has waited for counts as ended.
gone() { ! grep -q '^State:[[:space:]]*[^Z]' "/proc/$1/status" 2>/dev/null; }
# In the container that is booted. Nothing there takes minutes but by hanging:
# the longest is an installation, which stops and starts the daemon.
inside() { timeout --kill-after=10 180 nsenter --target "$leader" --all -- "$@"; }
about() { inside systemctl show outyard --value -p "$1"; }
logged() { inside journalctl --no-pager -o cat -u outyard | grep -qF -- "$1"; }
# Looks again and again whether something has come about, for so many seconds
# by the clock: a look may itself take long.
until_so() { # seconds command...
	local until=$((SECONDS + $1))
	shift
	while [ "$SECONDS" -le "$until" ]; do
		! "$@" >/dev/null 2>&1 || return 0
		sleep 0.2
	done
	return 1
}
is() { [ "$(about "$1")" = "$2" ]; }
ready() { is ActiveState active && is SubState running; }

boot() {
	systemd-nspawn --quiet --directory "$root" --machine outyard-try --register=no --keep-unit --private-network \
		--console=read-only --boot </dev/null >"$work/console" 2>&1 &
	nspawn=$!
	booted() { leader=$(pgrep -P "$nspawn" | head -n 1) && timeout 60 nsenter --target "$leader" --all -- systemctl is-system-running --wait | grep -Eq 'running|degraded'; }
	until_so 120 booted || { tail -n 40 "$work/console" >&2; die "it does not boot"; }
}

step "a Debian $suite with systemd"
if [ -n "${FRESH:-}" ]; then
	cp -a "$FRESH" "$root"
else
	timeout --kill-after=10 1800 debootstrap --variant=minbase --include=$packages "$suite" "$root" "$mirror" >"$work/debootstrap.log" || { tail "$work/debootstrap.log" >&2; die "debootstrap"; }
fi
rm -rf "${root:?}"/run/*
cp "$deb" "$root/srv/outyard.deb"
boot
[ "$(inside cat /proc/1/comm)" = systemd ] || die "no systemd"

step "installed: it runs at once, and after each boot"
inside dpkg -i /srv/outyard.deb >"$work/dpkg" 2>&1 || { cat "$work/dpkg" >&2; die "dpkg -i"; }
until_so 30 ready || die "it does not run: $(inside systemctl status --no-pager outyard)"
[ "$(inside systemctl is-enabled outyard)" = enabled ] || die "it is not enabled"
inside systemctl status --no-pager outyard | tee "$work/status"
grep -q 'Status: "ready: pages at http://127.0.0.1:8377/"' "$work/status" || die "systemctl status does not say that it is ready"
send() { inside mosquitto_pub -h 127.0.0.1 -q 1 -t yards/home/hives/h1 -m '[{"n":"weight","u":"kg","v":'"$1"'}]'; }
has() { # kilograms...
	local kg answer
	answer=$(inside curl -sS --max-time 20 http://127.0.0.1:8377/api/v1/readings)
	for kg; do grep -qF "\"weight_kg\":$kg" <<<"$answer" || return 1; done
}
send 41.25 || die "a reading is not taken"
has 41.25 || die "a reading is not shown"

step "what it may do"
pid=$(about MainPID)
of() { inside sed -n "s/^$1:[[:space:]]*//p" "/proc/$pid/status"; }
[ "$(inside stat -c %U "/proc/$pid")" = outyard ] || die "it runs as $(inside stat -c %U "/proc/$pid")"
[ "$(of NoNewPrivs) $(of Seccomp) $(of CapBnd)" = "1 2 0000000000000000" ] || die "privileges: $(of NoNewPrivs) $(of Seccomp) $(of CapBnd)"
of_mount() { inside nsenter --target "$pid" --mount findmnt -no OPTIONS --target "$1" | tail -n 1; }
for place in / /usr /etc /etc/outyard; do
	case ",$(of_mount $place)," in *,ro,*) ;; *) die "$place can be written: $(of_mount $place)" ;; esac
done
case ",$(of_mount /var/lib/outyard)," in *,rw,*) ;; *) die "its own folder cannot be written" ;; esac
[ "$(about MemoryMax)" = 1073741824 ] || die "memory: $(about MemoryMax)"
[ "$(about WatchdogUSec)" = 1min ] || die "watchdog: $(about WatchdogUSec)"
[ "$(about NRestarts)" = 0 ] || die "it had to be started $(about NRestarts) times"

step "a reload: a new yard is in force, a mistake is not"
cp "$root/etc/outyard/outyard.yaml" "$work/outyard.yaml"
sed -i 's/^yards: auto/yards: [{id: home, latitude: 48.8, longitude: -123.3, timezone: America\/Vancouver, hives: [{id: h1}]}]/' "$root/etc/outyard/outyard.yaml"
inside systemctl reload outyard
logged 'config read again and in force' || die "nothing was read again"
echo "yardz: []" >>"$root/etc/outyard/outyard.yaml"
inside systemctl reload outyard
logged 'yardz' || die "the mistake is not named"
[ "$(about MainPID) $(about SubState)" = "$pid running" ] || die "it did not outlive the mistake"
cp "$work/outyard.yaml" "$root/etc/outyard/outyard.yaml"
inside systemctl reload outyard

restarted() { ready && is NRestarts "$1"; }
# The first is what systemd sends when the watchdog has heard nothing; a Go
# program that panics ends the same way, with the status 2 of wrong use.
step "it is started anew when it aborts, and when it is killed"
inside systemctl kill --kill-whom=main -s ABRT outyard
until_so 60 restarted 1 || die "not started after it aborted: $(inside systemctl status --no-pager -n 3 outyard)"
inside systemctl kill --kill-whom=main -s KILL outyard
until_so 60 restarted 2 || die "not started after it was killed"

step "it is stuck: the watchdog starts it anew"
inside mkdir -p /run/systemd/system/outyard.service.d
# The same, sooner: 60 s, and 30 s for an answer to the abort.
inside sh -c 'printf "[Service]\nWatchdogSec=4\nTimeoutStopSec=4\n" >/run/systemd/system/outyard.service.d/sooner.conf'
inside systemctl daemon-reload
inside systemctl restart outyard
until_so 30 restarted 0 || die "it does not restart"
pid=$(about MainPID)
inside kill -STOP "$pid"
until_so 90 restarted 1 || die "the watchdog does not start it anew: $(inside systemctl status --no-pager -n 5 outyard)"
[ "$(about MainPID)" != "$pid" ] || die "the same process"
inside journalctl --no-pager -o cat -u outyard | grep -F 'Watchdog timeout' || die "it was not the watchdog"
inside rm /run/systemd/system/outyard.service.d/sooner.conf
inside systemctl daemon-reload
send 41.5 || die "a reading is not taken"
has 41.25 41.5 || die "readings were lost"

step "another installation, and it runs on"
inside dpkg -i /srv/outyard.deb >"$work/dpkg" 2>&1 || { cat "$work/dpkg" >&2; die "dpkg -i"; }
until_so 30 ready || die "it does not run after an upgrade"
has 41.5 || die "readings were lost"

step "the plug is pulled: it comes back by itself"
pull
boot
until_so 60 ready || die "it does not come back: $(inside systemctl status --no-pager outyard)"
has 41.25 41.5 || die "readings were lost"

step "a stop in time, with all that was taken"
inside systemctl stop outyard
[ "$(about Result)" = success ] || die "it stopped with $(about Result)"

step "removed, the readings stay"
inside systemctl start outyard
inside dpkg -P outyard >"$work/dpkg" 2>&1 || { cat "$work/dpkg" >&2; die "dpkg -P"; }
if inside pgrep -x outyard; then die "it still runs"; fi
inside test -s /var/lib/outyard/outyard.db || die "a purge took the readings along"

echo "PASSED: started, reloaded, aborted, killed, stuck, upgraded, plug pulled, stopped, removed"
