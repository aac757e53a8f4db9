# Runs inside the container or the machine: see `run`.
set -uo pipefail
wrong=0 file=/etc/lampward/lampward.toml
check() { # WHAT COMMAND...: says what, and whether the command went well
  local what=$1; shift
  if "$@" >/tmp/said 2>&1; then echo "ok     $what"; else echo "WRONG  $what: $(head -c 400 /tmp/said)"; wrong=1; fi
}
refused() { ! "$@"; }
shown() { systemctl show lampward -P "$1"; }
says() { lampward now | grep -q "$1"; }
await() { # SECONDS COMMAND...: until the command goes well; says after how long
  local end=$((SECONDS + $1)) begun=$(date +%s%N); shift
  until "$@" >/dev/null 2>&1; do [ $SECONDS -lt $end ] || return 1; sleep 0.1; done
  took=$((($(date +%s%N) - begun) / 100000000)); took=$((took / 10)).$((took % 10))
}
answers() { [ "$(curl -s -o /dev/null -w '%{http_code}' "${@:2}")" = "$1" ]; }
another() { [ "$(shown MainPID)" != "$1" ] && [ "$(shown MainPID)" != 0 ] && [ "$(shown ActiveState)" = active ] && says 'Broker up'; }
held() { says 'Jetty lamp.* on *on '; }

# The broker of the house, and a plug that does what it is told.
# Two addresses that the machine has besides loopback: one of a home network, and one that the unit's list does not hold.
home=10.77.0.1 strange=192.0.2.7
ip addr add $home/32 dev lo && ip addr add $strange/32 dev lo
printf 'listener 1883 127.0.0.1\nlistener 1883 %s\nlistener 1883 %s\nallow_anonymous false\npassword_file /etc/mosquitto/accounts\n' $home $strange >/etc/mosquitto/conf.d/house.conf
mosquitto_passwd -b -c /etc/mosquitto/accounts lampward 'a word for the broker' 2>/dev/null
mosquitto_passwd -b /etc/mosquitto/accounts plug 'a word for the plug' 2>/dev/null
chown mosquitto /etc/mosquitto/accounts
systemctl restart mosquitto
plug=(-h 127.0.0.1 -u plug -P 'a word for the plug')
mosquitto_sub "${plug[@]}" -t yard/3/order | while read -r order; do mosquitto_pub "${plug[@]}" -t yard/3/report -m "$order"; done &

if [ -e /root/lampward.deb ]; then
  check "the package installs" dpkg -i /root/lampward.deb
  check "enabled, but not started with another house's file" test "$(systemctl is-enabled lampward) $(systemctl is-active lampward)" = "enabled inactive"
  check "the example is there and without fault" lampward check
  check "bash completes" bash -c '. /usr/share/bash-completion/completions/lampward && complete -p lampward'
  check "the manual has a page for each command" bash -c 'for page in lampward $(lampward --help | sed -n "/^Commands:/,/^\$/s/^  \([a-z][a-z]*\) .*/lampward-\1/p"); do man $page | grep -q SYNOPSIS || exit 1; done'
else
  systemd-sysusers
  systemctl daemon-reload
fi
check "the user is there" getent passwd lampward
verified=$(systemd-analyze verify "$(shown FragmentPath)" 2>&1)
check "systemd-analyze verify says nothing" test -z "$verified"
[ -z "$verified" ] || echo "$verified"
exposure=$(systemd-analyze security --offline=true --no-pager "$(shown FragmentPath)" | sed -n 's/.*Overall exposure level.*: \([0-9.]*\).*/\1/p')
check "exposure $exposure, no more than 1.3" awk "BEGIN { exit !($exposure <= 1.3) }"

cat >$file <<'EOT'
[place]
name      = "Skarvholmen"
position  = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"
[clock]
trust = "always"
[broker]
address = "mqtt://127.0.0.1:1883"
user    = "lampward"
[web]
listen = "0.0.0.0:8460"
[channel.jetty]
label = "Jetty lamp"
plug  = "yard/3"
lit   = [{ from = "sunset", until = "sunrise" }]
EOT
install -d -m 700 /etc/credstore
printf 'a word for the broker\n' | install -m 600 /dev/stdin /etc/credstore/broker-password
printf 'a-token-of-some-length\n' | install -m 600 /dev/stdin /etc/credstore/web-token
token=(--token-file /etc/credstore/web-token) at=http://127.0.0.1:8460

check "starts, and is ready when the first plan is made" systemctl start lampward
check "active" systemctl is-active lampward
if ! systemctl is-active lampward >/dev/null; then journalctl -u lampward --no-pager | tail; exit 1; fi
await 20 says 'Broker up'
check "the broker takes the credential" says 'Broker up'
exposure=$(systemd-analyze security --no-pager lampward | sed -n 's/.*Overall exposure level.*: \([0-9.]*\).*/\1/p')
check "exposure of what runs $exposure, no more than 1.3" awk "BEGIN { exit !($exposure <= 1.3) }"
check "status line: $(shown StatusText)" grep -q 'next: jetty' <<<"$(shown StatusText)"
check "runs as lampward" test "$(ps -o user= -p "$(shown MainPID)" 2>/dev/null || stat -c %U "/proc/$(shown MainPID)")" = lampward
folder=/run/credentials/lampward.service
check "credentials: $(stat -c '%A %U' $folder) $(stat -c '%A %U %n' $folder/* | sed "s#$folder/##" | tr '\n' ' ')" test "$(stat -c %a $folder/web-token)" = 400
check "nobody else reads them" refused setpriv --reuid nobody --clear-groups cat $folder/web-token
check "nor the state" refused setpriv --reuid nobody --clear-groups ls /var/lib/lampward
body=(-X PUT -H 'content-type: application/json' -d '{"wanted":"on","until":"cancelled"}' $at/channels/jetty/override)
check "a change without the token is refused" answers 401 "${body[@]}"
check "with it the lamp is switched" lampward override jetty on --until cancelled "${token[@]}"
await 20 held
check "the plug has confirmed it" held
check "in the daybook" bash -c 'lampward past 1 | grep -q jetty'

pid=$(shown MainPID)
kill -STOP "$pid"
await 60 another "$pid"
check "stopped dead (SIGSTOP): another one runs after ${took:-?} s" another "$pid"
check "  by the watchdog" bash -c "journalctl -u lampward --no-pager | grep -q 'Watchdog timeout'"
await 20 held
check "  and the override stands" held
pid=$(shown MainPID)
kill -KILL "$pid"
await 30 another "$pid"
check "killed (SIGKILL): another one runs after ${took:-?} s" another "$pid"
await 20 held
check "  and the override stands" held

pid=$(shown MainPID)
sed -i 's/Jetty lamp/Jetty lamp, north/' $file
check "a good file is reloaded" systemctl reload lampward
await 10 says 'Jetty lamp, north'
check "  and in force after ${took:-?} s" says 'Jetty lamp, north'
sed 's/sunrise/sunrisse/' $file >/tmp/faulty && cp $file /tmp/good && cp /tmp/faulty $file
check "a faulty one is refused" refused systemctl reload lampward
check "  the journal says where" bash -c "journalctl -u lampward --no-pager | grep -q 'lampward.toml:15:.*sunrisse'"
check "  and the same one runs on by the rules it had" test "$(shown MainPID) $(systemctl is-active lampward)" = "$pid active"
check "  a restart too, on the last good copy" bash -c 'systemctl restart lampward && for i in $(seq 200); do lampward now --address 127.0.0.1:8460 2>/dev/null | grep -q "Jetty lamp, north" && exit; sleep 0.1; done; exit 1'
check "  and says so" bash -c "journalctl -u lampward --no-pager | grep -q 'last good copy'"
cp /tmp/good $file
check "the good one again" systemctl reload lampward
await 20 held
if [ "$(shown MemoryCurrent)" != '[not set]' ]; then
  check "memory $(($(shown MemoryCurrent) / 1024)) kB charged of $(($(shown MemoryMax) / 1024)), tasks $(shown TasksCurrent) of $(shown TasksMax)" true
fi

# Which addresses it reaches, and from which it is reached: by the list in the unit, where the kernel has such filters.
check "asked from an address of a home network it answers" answers 200 -m 5 --interface $home http://$home:8460/health
sed "s/127.0.0.1:1883/$home:1883/" /tmp/good >$file && systemctl restart lampward
await 20 says 'Broker up'
check "reaches a broker on a home network" says 'Broker up'
sed "s/127.0.0.1:1883/$strange:1883/" /tmp/good >$file && systemctl restart lampward
at_broker=(mosquitto_pub -h $strange -u plug -P 'a word for the plug' -t there -n)
check "  at another address it is there for others" "${at_broker[@]}"
if systemd-run --quiet --wait -p IPAddressDeny=any "${at_broker[@]}" 2>/dev/null; then
  echo "       no filter of addresses is in force here (in a container it can't be): not looked at"
else
  kept_away() { journalctl --no-pager "_PID=$(shown MainPID)" | grep 'the broker is not there' | tail -1; }
  is_kept_away() { [ -n "$(kept_away)" ]; }
  await 30 is_kept_away
  check "  but kept from Lampward: $(kept_away | sed 's/.*because=//')" is_kept_away
  check "  nor is Lampward reached from there" refused curl -s -m 5 --interface $strange http://$strange:8460/health
  # As docs/install.md has it, on a terminal, with another editor.
  printf '[Service]\nIPAddressAllow=%s\n' $strange >/tmp/drop-in
  check "a drop-in by systemctl edit" env SYSTEMD_EDITOR='cp /tmp/drop-in' script -qec 'systemctl edit lampward' /dev/null
fi
systemctl restart lampward
await 20 says 'Broker up'
check "  with the address in the list it gets there" says 'Broker up'
rm -rf /etc/systemd/system/lampward.service.d && systemctl daemon-reload
cp /tmp/good $file && systemctl restart lampward
await 20 held
begun=$(date +%s%N)
check "stops" systemctl stop lampward
echo "       in $((($(date +%s%N) - begun) / 1000000)) ms, $(shown Result)"
check "written in the state folder: $(cd /var/lib/lampward && ls | tr '\n' ' ')" test -e /var/lib/lampward/daybook.sqlite

if [ -e /root/lampward.deb ]; then
  # The same package, one version on.
  dpkg-deb -R /root/lampward.deb /tmp/next && sed -i 's/^Version: .*/&+1/' /tmp/next/DEBIAN/control && dpkg-deb -b /tmp/next /root/next.deb >/dev/null
  systemctl start lampward && await 20 says 'Broker up'
  pid=$(shown MainPID)
  check "upgrades" dpkg -i /root/next.deb
  await 30 another "$pid"
  check "  and another one runs" another "$pid"
  await 20 held
  check "  the person's file and override stand" held
  check "  nothing prompted, nothing left" test ! -e $file.dpkg-dist
  check "is removed" dpkg -r lampward
  check "  and not running" refused systemctl is-active lampward
  check "  file and state are kept" test -e $file -a -e /var/lib/lampward/daybook.sqlite
  check "installed again" dpkg -i /root/next.deb
  systemctl start lampward; await 20 held
  check "  the override still stands" held
  # Without an address Lampward serves the broker: the other program goes on in the same process, in the same sandbox.
  goes_on_as() { [ "$(readlink "/proc/$(shown MainPID)/exe")" = "$1" ]; }
  check "on the household's broker the program without one runs" goes_on_as /usr/bin/lampward
  sed -i '/^address/s/.*/serve = "127.0.0.1:1885"/; /^user/d' $file
  check "serves the broker itself" systemctl restart lampward
  await 20 says 'Broker up'
  check "  and is on it" says 'Broker up'
  check "  as the package's other program" goes_on_as /usr/libexec/lampward/lampward
  pid=$(shown MainPID) && kill -9 "$pid"
  await 30 another "$pid"
  check "  killed, it comes back as that" goes_on_as /usr/libexec/lampward/lampward
  check "  and is reloaded" systemctl reload lampward
  check "is purged" dpkg -P lampward
  check "  state, file, unit and program are gone" test ! -e /var/lib/lampward -a ! -e $file -a ! -e /usr/lib/systemd/system/lampward.service -a ! -e /usr/bin/lampward -a ! -e /usr/libexec/lampward -a ! -e /etc/systemd/system/multi-user.target.wants/lampward.service
  echo "       left: $(ls -d /etc/lampward /var/lib/lampward /etc/credstore/* 2>/dev/null | tr '\n' ' ')"
fi
[ $wrong = 0 ] || journalctl -u lampward --no-pager | tail -60
exit $wrong
