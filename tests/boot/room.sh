#!/bin/bash
# Run by tests.boot in namespaces of its own: makes a root of its own over this machine's, and becomes its systemd.
# $1: an empty folder; $2: the checkout's virtual environment; $3: the checkout; $4: where results go.
set -euo pipefail
work=$1 venv=$2 checkout=$3 results=$4 root=$1/root
mount --make-rprivate /
mount -t tmpfs -o size=4g tmpfs "$work"
mkdir "$work"/{root,over,aside}
mount -t overlay overlay -o "lowerdir=/,upperdir=$work/over,workdir=$work/aside" "$root"

# lapsed as pip would install it in /opt/lapsed, with the system's own Python: homes and /tmp are hidden from services.
mkdir -p "$root"/opt/lapsed "$root"/etc/lapsed "$root"/results
cp -r "$venv"/. "$root"/opt/lapsed/
packages=$(echo "$root"/opt/lapsed/lib/python3.*/site-packages)
rm -rf "$packages"/*lapsed*.pth "$packages"/lapsed
cp -r "$checkout"/lapsed "$packages"/lapsed
cp -r "$checkout"/systemd "$packages"/lapsed/systemd
mkdir "$packages"/tests
cp -r "$checkout"/tests/boot "$packages"/tests/boot
ln -sf "$(readlink -f /usr/bin/python3)" "$root"/opt/lapsed/bin/python3
ln -sf python3 "$root"/opt/lapsed/bin/python
sed -i 's|^home = .*|home = /usr/bin|' "$root"/opt/lapsed/pyvenv.cfg
sed -i '1s|.*|#!/opt/lapsed/bin/python|' "$root"/opt/lapsed/bin/lapsed
chmod -R a+rX "$root"/opt/lapsed
mount --bind "$results" "$root"/results

# Nothing of the machine's own is started but what a service leans on.
rm -rf "$root"/{etc,usr/lib}/systemd/system/*.wants
: > "$root"/etc/fstab
cat > "$root"/etc/systemd/system/boot.service <<'U'
[Unit]
DefaultDependencies=no
Wants=systemd-journald.socket systemd-journald.service
After=systemd-journald.service
[Service]
Type=exec
ExecStart=/opt/lapsed/bin/python -m tests.boot.inside
U

# What a container has of the kernel; its settings can't be changed from in here.
mount -t proc proc "$root"/proc
mount --bind "$root"/proc/sys "$root"/proc/sys
mount -o remount,bind,ro "$root"/proc/sys
mount -t sysfs -o ro sysfs "$root"/sys
mountpoint -q "$root"/sys/fs/cgroup || mount -t tmpfs tmpfs "$root"/sys/fs/cgroup || true
mount -t cgroup2 cgroup2 "$root"/sys/fs/cgroup
mount -t tmpfs -o mode=755 tmpfs "$root"/dev
for node in null:1:3 zero:1:5 full:1:7 random:1:8 urandom:1:9 tty:5:0; do
    IFS=: read -r name major minor <<< "$node"
    mknod -m 666 "$root"/dev/"$name" c "$major" "$minor"
done
mkdir "$root"/dev/{pts,shm}
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root"/dev/pts
mount -t tmpfs tmpfs "$root"/dev/shm
ln -s pts/ptmx "$root"/dev/ptmx
ln -s /proc/self/fd "$root"/dev/fd
mount -t tmpfs tmpfs "$root"/run
mount -t tmpfs tmpfs "$root"/tmp
ip link set lo up
cd "$root"
mkdir .outside
pivot_root . .outside
umount -l /.outside
exec env -i container=lapsed PATH=/usr/sbin:/usr/bin:/sbin:/bin \
    /lib/systemd/systemd --system --unit=boot.service --log-target=console --show-status=0 < /dev/null
