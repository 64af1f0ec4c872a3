#!/bin/sh
# A program, not a test: asks a real polkitd about our rule, in a copy of this system that is gone afterwards.
#   ask_polkit.sh FOLDER SYSTEMD_FOLDER     (as root, in mount and process namespaces of its own)
# Prints one line an action: its name and pkcheck's exit status (0: allowed).
set -eu
folder=$1
units=$2
mount -t proc proc /proc
mount -t tmpfs -o mode=755 tmpfs "$folder"
mkdir "$folder/upper" "$folder/work" "$folder/root"
mount -t overlay overlay -o "lowerdir=/,upperdir=$folder/upper,workdir=$folder/work" "$folder/root"
mount -t proc proc "$folder/root/proc"
mount --bind /dev "$folder/root/dev"
install -m 0644 "$units/50-dooryard.rules" "$folder/root/etc/polkit-1/rules.d/50-dooryard.rules"
systemd-sysusers --root="$folder/root" "$units/dooryard.sysusers.conf" >/dev/null 2>&1
# shellcheck disable=SC2016  # what stands in quotes is for the shell inside
exec chroot "$folder/root" /bin/sh -c '
  mkdir -p /run/dbus
  dbus-daemon --system --fork --nopidfile
  /usr/lib/polkit-1/polkitd >/tmp/polkitd.log 2>&1 &
  tries=0
  until dbus-send --system --print-reply --dest=org.freedesktop.DBus / org.freedesktop.DBus.GetNameOwner \
    string:org.freedesktop.PolicyKit1 >/dev/null 2>&1; do
    tries=$((tries + 1))
    [ "$tries" -lt 100 ] || { cat /tmp/polkitd.log; exit 1; }
    sleep 0.05
  done
  setpriv --reuid dooryard --regid dooryard --clear-groups sleep 60 &
  subject=$!
  until [ "$(stat -c %U /proc/$subject)" = dooryard ]; do sleep 0.01; done
  since=$(cut -d " " -f 22 /proc/$subject/stat)
  for action in power-off power-off-multiple-sessions power-off-ignore-inhibit reboot; do
    status=0
    pkcheck --action-id "org.freedesktop.login1.$action" --process "$subject,$since" >/dev/null 2>&1 || status=$?
    echo "$action $status"
  done
'
