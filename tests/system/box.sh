#!/usr/bin/env bash
# A real systemd as pid 1 of a throw-away overlay of this machine, so that a unit is tried where systemd does not run the
# host. It shares the host's network. As root only.
#   box.sh mount DIR          the overlay's root appears at DIR/root
#   box.sh boot DIR TARGET    boots it, in the foreground, until killed with SIGKILL; its children die with it
#   box.sh umount DIR
set -eu
verb=$1 dir=$2
case $verb in
mount)
    mount -t tmpfs tmpfs "$dir"
    mkdir "$dir/up" "$dir/work" "$dir/root"
    mount -t overlay overlay -o "lowerdir=/,upperdir=$dir/up,workdir=$dir/work" "$dir/root"
    ;;
boot)
    groups=$(findmnt -n -o TARGET -t cgroup2 | head -n 1)
    if [ -z "$groups" ]; then
        groups=$dir/groups
        mkdir "$groups"
        mount -t cgroup2 cgroup2 "$groups"
    fi
    mkdir "$groups/box.$$"
    echo "$groups/box.$$" >"$dir/group"
    echo $$ >"$groups/box.$$/cgroup.procs"
    exec unshare -m -p -u -i -C -f --kill-child bash -eu -c '
        root=$1/root
        mount --make-rprivate /
        mount -t proc proc "$root/proc"
        mount -t sysfs -o ro sysfs "$root/sys"
        mount -t cgroup2 cgroup2 "$root/sys/fs/cgroup"
        for each in run dev; do mount -t tmpfs tmpfs "$root/$each"; done
        for each in null:3 zero:5 full:7 random:8 urandom:9; do
            mknod -m 666 "$root/dev/${each%:*}" c 1 "${each#*:}"
        done
        mknod -m 666 "$root/dev/tty" c 5 0
        mkdir "$root/dev/pts" "$root/dev/shm" "$root/dev/mqueue"
        mount -t devpts -o newinstance,ptmxmode=666 devpts "$root/dev/pts"
        ln -s pts/ptmx "$root/dev/ptmx"
        ln -s /proc/self/fd "$root/dev/fd"
        # a chroot may make no user namespaces, so the overlay becomes the root itself
        cd "$root"
        pivot_root . mnt
        exec env -i container=box PATH=/usr/sbin:/usr/bin:/sbin:/bin chroot . bash -c "umount -l /mnt && exec \
            /lib/systemd/systemd --system --unit=$2 --log-target=console --show-status=no"
    ' _ "$dir" "$3"
    ;;
umount)
    umount -R "$dir/root"
    if [ -e "$dir/group" ]; then
        find "$(cat "$dir/group")" -depth -type d -exec rmdir {} \;
        rm "$dir/group"
    fi
    if mountpoint -q "$dir/groups"; then umount "$dir/groups"; fi
    umount "$dir"
    ;;
esac
