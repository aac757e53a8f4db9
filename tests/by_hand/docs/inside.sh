# Runs inside the container or the machine: see `run`.
set -uo pipefail
wrong=0 pages=/usr/share/doc/lampward home=/home/somebody file=/etc/lampward/lampward.toml said=/tmp/said
package=$(basename $home/lampward_*.deb)
fault() { echo "WRONG  $1: $(head -c 600 $said)"; wrong=1; }
somebody() { sudo -u somebody -H bash -c "cd $home && export LANG=C.UTF-8 PATH=/usr/local/bin:/usr/bin:/bin && $1"; }
doc() { # PAGE COMMAND [INSTEAD]: the page has the command; it goes well, or what is run in its place
  : >$said
  if [[ $(<$pages/"$1") != *"$2"* ]]; then fault "$1 has no \`$2\`"; return; fi
  if somebody "${3:-$2}" >$said 2>&1; then echo "ok     $1: $2"; else fault "$1: ${3:-$2}"; fi
}
fails() { # STATUS PAGE COMMAND [INSTEAD]: the same, and it ends with that status
  : >$said
  if [[ $(<$pages/"$2") != *"$3"* ]]; then fault "$2 has no \`$3\`"; return; fi
  somebody "${4:-$3}" >$said 2>&1
  local rc=$?
  if [ $rc = "$1" ]; then echo "ok     $2: $3   ($rc)"; else fault "$2: ${4:-$3} ended with $rc"; fi
}
shows() { if grep -qE -- "$1" $said; then echo "         shows $1"; else fault "    does not show $1"; fi; }
await() { local end=$((SECONDS + $1)); shift; until "$@" >/dev/null 2>&1; do [ $SECONDS -lt $end ] || return 1; sleep 0.2; done; }
up() { lampward now | grep -q 'Broker up'; }
is() { if "${@:2}" >$said 2>&1; then echo "ok     $1"; else fault "$1"; fi; }
block() { sed -n "/^$2/,/^\`\`\`/{/^\`\`\`/d;p}" $pages/"$1"; } # PAGE BEGIN: from a line that begins so until the block ends
plug() { # TOPIC-OF-ORDERS TOPIC-OF-REPORTS ON OFF: a plug that does what it is told
  mosquitto_sub -h 192.0.2.7 -t "$1" | while read -r order; do
    case $order in *on* | *true*) mosquitto_pub -h 192.0.2.7 -t "$2" -m "$3" ;; *) mosquitto_pub -h 192.0.2.7 -t "$2" -m "$4" ;; esac
  done &
}

useradd --create-home --shell /bin/bash somebody 2>/dev/null
chown -R somebody: $home && echo 'somebody ALL=(ALL) NOPASSWD: ALL' >/etc/sudoers.d/somebody
mkdir -p $pages && cd $home
# The pages are read as the package has them.
dpkg-deb --fsys-tarfile "$package" | tar -x -C / --wildcards './usr/share/doc/lampward/*'
gunzip -kf $pages/*.gz 2>/dev/null
# The broker and the addresses of the pages.
for address in 192.0.2.7 192.0.2.9; do ip addr add $address/32 dev lo; done
printf 'listener 1883 192.0.2.7\nallow_anonymous true\n' >/etc/mosquitto/conf.d/house.conf
systemctl restart mosquitto
plug yard/3/order yard/3/report '{"supply":true}' '{"supply":false}'
plug yard/9/order yard/9/state '{"relay":true,"watts":7.1}' '{"relay":false,"watts":0.0}'
plug house/parlour/order house/parlour/report '{"supply":true}' '{"supply":false}'

# Installed.
doc install.md 'sudo apt install ./lampward_0.1.0-1_arm64.deb' "sudo apt install -y ./$package"
answers='Skarvholmen\n59.7412 N, 5.2097 E\nEurope/Oslo\nmqtt://192.0.2.7:1883\n\nJetty lamp\n\n\nyard/3\n\n\n'
doc README.md 'sudo lampward new' "printf '$answers' | script -qec 'sudo lampward new' /dev/null"
is "the first file is there, and the example beside it" bash -c "grep -q 'label = .Jetty lamp' $file && ls $file.before-*"
block README.md '\[place\]' >$home/house-of-readme.toml
doc install.md 'sudoedit /etc/lampward/lampward.toml' "SUDO_EDITOR='cp $home/house-of-readme.toml' sudoedit $file"
is "sudoedit wrote it" cmp $home/house-of-readme.toml $file
doc install.md 'lampward check'; shows 'no fault'
doc install.md 'sudo systemctl start lampward'
doc install.md 'systemctl status lampward'; shows 'Status: "(next: |the clock is not trusted)|Active: active'
for page in lampward lampward-override; do doc install.md "man $page"; shows 'SYNOPSIS'; done

# Who may reach which address: the broker of the pages is on none of a home's networks.
doc install.md 'sudo systemctl edit lampward' \
  "printf '[Service]\nIPAddressAllow=203.0.113.7\nIPAddressAllow=192.0.2.0/24\n' >drop-in; SYSTEMD_EDITOR='cp drop-in' script -qec 'sudo --preserve-env=SYSTEMD_EDITOR systemctl edit lampward' /dev/null"
is "the drop-in is read" bash -c "systemctl show lampward -P IPAddressAllow | grep -q 203.0.113.7"
doc install.md 'sudo systemctl restart lampward'
is "the broker is reached" await 20 up

# The clock.
doc clock.md 'sudo apt-get install systemd-timesyncd'
doc clock.md 'sudo timedatectl set-ntp true'
doc clock.md 'timedatectl'; shows 'System clock synchronized: (yes|no)'; shows 'NTP service: (active|n/a|inactive)'
is "network time is asked for at each boot" systemctl is-enabled systemd-timesyncd
doc clock.md "lampward override jetty on --until '2 h'"; shows 'on'
doc clock.md 'lampward now'; shows 'Jetty lamp'

# Commands on the running daemon.
doc interface.md 'lampward override jetty on --until "45 min"'; shows 'on'
doc interface.md 'lampward cancel jetty'
doc interface.md 'lampward past 30 --missed'
doc interface.md 'lampward try jetty'; shows 'answered all 5 commands'
doc interface.md "curl -X PUT -H 'Content-Type: application/json' -d '{\"wanted\":\"on\"}' \\
        http://127.0.0.1:8460/channels/parlour/override"; shows '"wanted": ?"on"'
doc interface.md 'curl -X POST http://127.0.0.1:8460/channels/jetty/try'; shows '"answered": ?true'
doc README.md 'lampward ahead 1'; shows 'Skarvholmen: '
doc README.md 'curl 127.0.0.1:8460/status'; shows '"channels"'
doc README.md "curl -X PUT -H 'content-type: application/json' -d '{\"wanted\":\"on\"}' 127.0.0.1:8460/channels/parlour/override"; shows '"wanted": ?"on"'
if lampward now | grep -q 'not trusted'; then
  fails 1 README.md 'lampward override parlour on --until 23:30'; shows 'clock is not trusted'
else
  doc README.md 'lampward override parlour on --until 23:30'; shows '23:30'
fi
doc README.md 'lampward cancel parlour'
doc README.md 'lampward past 7 --missed'
doc README.md 'lampward override NAME off' 'lampward override jetty off'
doc rules.md 'lampward ahead 14 --from 2026-06-14'; shows 'Jun 2026'
doc year.md 'lampward year --out year.svg'; is "a picture" grep -q '<svg' $home/year.svg
doc year.md 'lampward year --year 2027 --channel jetty --channel parlour > year.svg'; is "a picture" grep -q '2027' $home/year.svg

# When something is wrong.
doc troubleshooting.md 'lampward past 2'
doc troubleshooting.md 'sudo journalctl -u lampward -n 50'; shows 'lampward\['
doc troubleshooting.md "mosquitto_sub -h 192.0.2.7 -v -t 'yard/3/#'" \
  "(sleep 1; lampward try jetty) >/dev/null & timeout 6 mosquitto_sub -h 192.0.2.7 -v -t 'yard/3/#' || true; wait"; shows 'yard/3/report'
doc troubleshooting.md 'sudo ss -ltnp'; shows '127.0.0.1:8460.*lampward'
doc troubleshooting.md 'df /var/lib/lampward'
doc watching.md 'sudo journalctl -u lampward -p warning --since -1d'
fails 1 watching.md "sudo journalctl -u lampward -g 'WARN missed ' --since -30d -o short-iso"
fails 124 watching.md "sudo journalctl -u lampward -f -o cat -g 'WARN missed |ERROR '" "sudo timeout 2 journalctl -u lampward -f -o cat -g 'WARN missed |ERROR '"
doc watching.md "curl -s http://127.0.0.1:8460/status | jq -e '.missed == [] and .notices == [] and .file.faults == []'" \
  "curl -s http://127.0.0.1:8460/status | jq '.missed == [] and .notices == [] and .file.faults == []'"; shows '^(true|false)$'
doc watching.md "mosquitto_sub -h 192.0.2.7 -v -t 'lampward/+/missed' -t 'lampward/+/alive'" \
  "mosquitto_sub -h 192.0.2.7 -v -t 'lampward/+/missed' -t 'lampward/+/alive' -C 1 -W 10"; shows 'lampward/skarvholmen/alive here'

# Told by systemd: the page's units, with a `tell` that writes down what it is told.
printf '#!/bin/sh\necho "$1" >>/tmp/told\n' >/usr/local/bin/tell && chmod 755 /usr/local/bin/tell
awk '/^```ini/ { getline; path = $2; system("mkdir -p \"$(dirname " path ")\""); next } /^```/ { path = "" } path { print > path }' $pages/watching.md
is "four units are on the page" test -e /etc/systemd/system/tell@.service -a -e /etc/systemd/system/lamps-well.service \
  -a -e /etc/systemd/system/lamps-well.timer -a -e /etc/systemd/system/lampward.service.d/tell.conf
doc watching.md 'sudo systemctl daemon-reload && sudo systemctl enable --now lamps-well.timer'
lampward cancel jetty >/dev/null; systemctl stop lampward; systemctl start lamps-well 2>/dev/null
is "told that nobody answers" await 10 grep -q '^lamps-well.service has failed' /tmp/told
is "nothing was told of an orderly stop" bash -c "! grep 'lampward has ended' /tmp/told"
systemctl start lampward; await 20 up; kill -KILL "$(systemctl show lampward -P MainPID)"
is "told of a killed one, and why" await 10 grep -qx 'lampward has ended: signal' /tmp/told
await 20 up; rm /etc/systemd/system/lampward.service.d/tell.conf; systemctl daemon-reload

# Secrets, and who gets in.
doc install.md 'sudo install -d -m 700 /etc/credstore'
doc install.md "sudo sh -c 'umask 077; cat > /etc/credstore/broker-password'" "echo 'a word' | sudo sh -c 'umask 077; cat > /etc/credstore/broker-password'"
doc install.md 'head -c 32 /dev/urandom | base64 | sudo install -m 600 /dev/stdin /etc/credstore/web-token'
is "nobody else reads them" test "$(stat -c '%a %U' /etc/credstore/broker-password /etc/credstore/web-token | sort -u)" = '600 root'
doc install.md 'sudo systemctl restart lampward'; await 20 up
fails 1 README.md 'lampward override parlour on' 'lampward override parlour on'; shows 'asks for its token'
doc install.md 'sudo lampward override jetty on --token-file /etc/credstore/web-token'; shows 'on'
rm /etc/credstore/web-token /etc/credstore/broker-password
doc security.md 'head -c 32 /dev/urandom | base64 | sudo install -D -o lampward -g lampward -m 600 /dev/stdin /etc/lampward/web-token'
cp $file /tmp/good && sed '/^\[channel.jetty\]/i [web]\nlisten = "0.0.0.0:8460"\ntoken_file = "/etc/lampward/web-token"\nhosts = ["lamps.home.arpa"]\n' /tmp/good >$file
systemctl restart lampward; await 20 curl -sf -o /dev/null http://192.0.2.9:8460/status
install -o somebody -m 600 /etc/lampward/web-token $home/web-token
doc security.md "curl -X PUT -H \"Authorization: Bearer \$(cat web-token)\" -H 'Content-Type: application/json' -d '{\"wanted\":\"on\"}' \\
        http://192.0.2.9:8460/channels/jetty/override"; shows '"wanted": ?"on"'
cp /tmp/good $file && systemctl restart lampward; await 20 up

# Kept, lost and had back.
doc backup.md 'sudo sqlite3 /var/lib/lampward/daybook.sqlite ".backup daybook-copy.sqlite"'
is "the copy is whole" bash -c "test \"\$(sqlite3 $home/daybook-copy.sqlite 'PRAGMA integrity_check')\" = ok"
is "the daybook is still its owner's" bash -c "! find /var/lib/lampward ! -user lampward | grep ."
lampward override jetty on --until '3 h' >/dev/null
doc backup.md 'sudo systemctl stop lampward'
doc backup.md 'sudo tar -C / -czf lampward-$(date +%F).tar.gz etc/lampward etc/credstore var/lib/lampward'
doc backup.md 'sudo systemctl start lampward'
await 20 up; lampward cancel jetty >/dev/null; echo '# spoilt' >$file
doc backup.md 'sudo systemctl stop lampward'; rm -rf /var/lib/lampward/*
doc backup.md 'sudo tar -C / -xzf lampward-2026-11-25.tar.gz' 'sudo tar -C / -xzf lampward-$(date +%F).tar.gz'
doc backup.md 'sudo chown -R lampward:lampward /var/lib/lampward'
doc backup.md 'sudo systemctl start lampward'; await 20 up
is "the file is back" cmp /tmp/good $file
is "the override is back" bash -c "lampward now --format json | jq -e '.channels[] | select(.name == \"jetty\") | .override.wanted == \"on\"'"

# Moved.
doc moving.md 'sudo systemctl stop lampward'
doc moving.md 'sudo lampward locate --from-text "60 23.50 N, 5 19.40 E" --write'
is "the new place is in the file" grep -q '^position *= "60.39167 N, 5.32333 E"' $file
doc moving.md 'lampward check'; shows 'no fault'
doc moving.md 'lampward ahead 7'
sed -i 's/"Skarvholmen"/"Nordholmen"/' $file
doc moving.md 'sudo systemctl start lampward'; await 20 up
alive() { mosquitto_sub -h 192.0.2.7 -v -t "lampward/$1/alive" -C 1 -W 3; }
is "the old word of life is still there" alive skarvholmen
doc moving.md 'mosquitto_pub -h 192.0.2.7 -t lampward/skarvholmen/alive -r -n'
is "  and now it is not" bash -c "! mosquitto_sub -h 192.0.2.7 -t lampward/skarvholmen/alive -C 1 -W 3"
doc locate.md 'sudo lampward locate --from-text "54.8018 S, 68.304 W" --write --time-zone America/Argentina/Ushuaia'
doc locate.md 'lampward locate --from-text "59.7412 N, 5.2097 E"'; shows '^position  59.7412 N, 5.2097 E$'; shows 'Europe/Oslo .* 310 km away  39 min ahead'
doc locate.md 'lampward locate --from-text "59 44.47 N, 5 12.58 E"'; shows '^position  59.74117 N, 5.20967 E$'
mkfifo /tmp/plugged && (python3 /root/receiver.py </tmp/plugged >/tmp/line &) && exec 9>/tmp/plugged
await 10 test -s /tmp/line; ln -sf "$(cat /tmp/line)" /dev/ttyUSB0; ln -sf "$(cat /tmp/line)" /dev/serial0; chmod 666 "$(cat /tmp/line)"
doc locate.md 'sudo lampward locate --serial /dev/ttyUSB0'; shows '^position  59.7412 N, 5.2097 E$'
doc locate.md 'lampward locate --serial /dev/serial0 --baud 4800'; shows '^position  59.7412 N, 5.2097 E$'
exec 9>&-
cp /tmp/good $file

# The broker's own page.
doc broker.md "$(block broker.md 'openssl req -x509')"
is "the broker's certificate is signed by the authority" openssl verify -CAfile $home/authority.pem $home/broker.pem
install -o mosquitto -m 600 $home/broker.key /etc/mosquitto/broker.key && install -m 644 $home/broker.pem /etc/mosquitto/broker.pem
printf 'listener 8883 192.0.2.7\ncertfile /etc/mosquitto/broker.pem\nkeyfile /etc/mosquitto/broker.key\n' >>/etc/mosquitto/conf.d/house.conf
systemctl restart mosquitto
install -m 644 $home/authority.pem /etc/lampward/broker-authority.pem
sed 's#^address.*#address = "mqtts://192.0.2.7"\nca = "/etc/lampward/broker-authority.pem"#' /tmp/good >$file && systemctl restart lampward
is "and Lampward accepts it" await 20 up
doc broker.md 'sudo install -o lampward -g lampward -m 600 /dev/stdin /etc/lampward/password' 'echo word | sudo install -o lampward -g lampward -m 600 /dev/stdin /etc/lampward/password'
doc broker.md 'sudo lampward account plugs --into /etc/lampward/accounts' 'echo eight-or-more | sudo lampward account plugs --into /etc/lampward/accounts'
doc broker.md 'sudo chown root:lampward /etc/lampward/accounts'
doc broker.md 'sudo chmod 640 /etc/lampward/accounts'
sed 's#^address.*#serve = "192.0.2.9:1883"\naccounts_file = "/etc/lampward/accounts"#; s#^\[broker\]#&#' /tmp/good >$file && systemctl restart lampward
is "a plug with the account gets in" await 20 mosquitto_pub -h 192.0.2.9 -u plugs -P eight-or-more -t yard/3/report -m on
is "  and one without does not" bash -c "! mosquitto_pub -h 192.0.2.9 -t yard/3/report -m on"

# First files.
doc first-file.md "$(block first-file.md 'lampward new --file lampward.toml --name')"
is "both lamps are in it" bash -c "cd $home && lampward check lampward.toml | grep -q 'no fault' && grep -c '^\[channel' lampward.toml | grep -qx 2"
systemctl stop lampward
block first-lamp.md '\[place\]' >$home/house.toml
doc first-lamp.md 'lampward check house.toml'; shows 'no fault'
doc first-lamp.md 'lampward ahead --file house.toml 2'; shows 'Path to the boathouse'
doc first-lamp.md "mosquitto_sub -h 192.0.2.7 -v -t '#'" \
  "(sleep 1; mosquitto_pub -h 192.0.2.7 -t yard/9/order -m on) & timeout 4 mosquitto_sub -h 192.0.2.7 -v -t '#' || true; wait"; shows '^yard/9/state \{"relay":true'
doc first-lamp.md 'mosquitto_pub -h 192.0.2.7 -t yard/9/order -m on'
doc first-lamp.md 'lampward try boathouse --file house.toml'; shows 'answered all 5 commands'
fails 124 first-lamp.md 'lampward run house.toml' 'timeout 5 lampward run house.toml'; shows 'INFO'

# Removed, and from source.
doc install.md 'sudo apt remove lampward' 'sudo apt remove -y lampward'
is "file and state are kept" test -e $file -a -e /var/lib/lampward/daybook.sqlite
dpkg-deb --fsys-tarfile "$package" | tar -x -C / --wildcards './usr/share/doc/lampward/*'
doc install.md 'sudo apt purge lampward' 'sudo apt purge -y lampward'
is "file and state are gone" test ! -e $file -a ! -e /var/lib/lampward
dpkg-deb --fsys-tarfile "$package" | tar -x -C / --wildcards './usr/share/doc/lampward/*'
rm -rf /etc/systemd/system/lampward.service.d; systemctl daemon-reload
source=$(block install.md 'cargo build --profile dist')
doc install.md "$source" "cd source && export SUDO_EDITOR='cp $home/house-of-readme.toml' && set -e; $(sed 's/^cargo.*/:/' <<<"$source")"
is "it runs, built from source" await 10 systemctl is-active lampward
is "  and comes back after a boot" systemctl is-enabled lampward
exit $wrong
