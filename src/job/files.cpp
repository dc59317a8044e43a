#include "job/files.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <functional>
#include <thread>
#include <utility>

namespace pipebeat::job {

namespace {

constexpr std::size_t portion = std::size_t{1} << 16;
constexpr auto lock_patience = std::chrono::seconds{10};

}  // namespace

Descriptor::Descriptor(Descriptor&& other) noexcept : fd_{std::exchange(other.fd_, -1)} {}

Descriptor::~Descriptor() {
  if (fd_ >= 0) ::close(fd_);
}

tl::unexpected<Error> system_failure(const std::string& path, std::string_view doing) {
  const int error = errno;
  const std::string what = fmt::format("{}: could not {}: {}", path, doing, std::strerror(error));
  if (error == ENOENT || error == ENOTDIR) {
    return fail(ErrorCode::not_found, what, "check the name; `pipebeat job new` makes a job");
  }
  if (error == EACCES || error == EPERM || error == EROFS) {
    return fail(ErrorCode::no_permission, what, "choose a folder that you may write to");
  }
  return fail(ErrorCode::write_failed, what, "check that the disk is there and has room");
}

namespace {

tl::unexpected<Error> too_long(const std::string& path) {
  return fail(ErrorCode::unreadable,
              fmt::format("{}: longer than {} MiB", path, longest_text >> 20),
              "start a new job, or restore a copy");
}

Result<Descriptor> open_plain_file(const std::string& path) {
  Descriptor file{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK)};
  if (file.get() < 0) return system_failure(path, "open");
  struct stat status {};
  if (::fstat(file.get(), &status) != 0) return system_failure(path, "look at");
  if (!S_ISREG(status.st_mode)) {
    return fail(ErrorCode::unreadable, path + ": not a plain file", "give another folder");
  }
  return file;
}

/// Fills the block unless the file ends before; how much of it, or -1.
ssize_t read_block(int file, std::string& block) {
  std::size_t filled = 0;
  while (filled < block.size()) {
    const ssize_t got = ::read(file, block.data() + filled, block.size() - filled);
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return -1;
    if (got == 0) break;
    filled += static_cast<std::size_t>(got);
  }
  return static_cast<ssize_t>(filled);
}

/// Gives the next bytes of what is to be written, none at its end; -1 with errno on trouble.
using Source = std::function<ssize_t(std::string_view& bytes)>;

Result<void> write_new(const std::string& path, const Source& source, Existing existing);

}  // namespace

std::string path_in(const std::string& folder, std::string_view name) {
  return (std::filesystem::path{folder} / name).string();
}

Result<std::string> read_file(const std::string& path) {
  const auto file = open_plain_file(path);
  if (!file) return tl::unexpected(file.error());
  std::string text;
  std::string block(portion, '\0');
  for (;;) {
    const ssize_t got = read_block(file->get(), block);
    if (got < 0) return system_failure(path, "read");
    if (got == 0) return text;
    text.append(block.data(), static_cast<std::size_t>(got));
    if (text.size() > longest_text) return too_long(path);
  }
}

bool same_content(const std::string& one, const std::string& other) {
  const auto a = open_plain_file(one);
  const auto b = open_plain_file(other);
  if (!a || !b) return false;
  std::string of_a(portion, '\0');
  std::string of_b(portion, '\0');
  for (;;) {
    const ssize_t count = read_block(a->get(), of_a);
    if (count < 0 || read_block(b->get(), of_b) != count) return false;
    if (count == 0) return true;
    if (of_a.compare(0, static_cast<std::size_t>(count), of_b, 0,
                     static_cast<std::size_t>(count)) != 0)
      return false;
  }
}

Result<Descriptor> lock_folder(const std::string& folder) {
  Descriptor directory{::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
  if (directory.get() < 0) return system_failure(folder, "open the job folder");
  const auto until = std::chrono::steady_clock::now() + lock_patience;
  while (::flock(directory.get(), LOCK_EX | LOCK_NB) != 0) {
    if (errno != EWOULDBLOCK && errno != EINTR) return system_failure(folder, "lock");
    if (std::chrono::steady_clock::now() > until) {
      return fail(ErrorCode::device, folder + ": another program has been writing here for 10 s",
                  "end it, then try again");
    }
    std::this_thread::sleep_for(std::chrono::milliseconds{5});
  }
  return directory;
}

Result<void> write_file(const std::string& path, std::string_view content, Existing existing) {
  if (content.size() > longest_text) return too_long(path);
  const auto once = [rest = content](std::string_view& bytes) mutable {
    bytes = std::exchange(rest, {});
    return static_cast<ssize_t>(bytes.size());
  };
  return write_new(path, once, existing);
}

Result<void> copy_file(const std::string& source, const std::string& path) {
  const auto file = open_plain_file(source);
  if (!file) return tl::unexpected(file.error());
  std::string block(portion, '\0');
  const auto next = [&](std::string_view& bytes) {
    const ssize_t got = read_block(file->get(), block);
    bytes = std::string_view{block}.substr(0, static_cast<std::size_t>(std::max<ssize_t>(got, 0)));
    return got;
  };
  return write_new(path, next, Existing::refuse);
}

namespace {

Result<void> write_new(const std::string& path, const Source& source, Existing existing) {
  const std::string folder = std::filesystem::path{path}.parent_path().string();
  std::string temporary = path + ".XXXXXX";
  const Descriptor file{::mkostemp(temporary.data(), O_CLOEXEC)};
  if (file.get() < 0) return system_failure(path, "write");
  const auto give_up = [&](std::string_view doing) {
    auto failure = system_failure(path, doing);
    ::unlink(temporary.c_str());
    return failure;
  };
  std::string_view bytes;
  for (ssize_t got = source(bytes); got != 0; got = source(bytes)) {
    if (got < 0) return give_up("copy to");
    while (!bytes.empty()) {
      const ssize_t written = ::write(file.get(), bytes.data(), bytes.size());
      if (written < 0 && errno == EINTR) continue;
      if (written < 0) return give_up("write");
      bytes.remove_prefix(static_cast<std::size_t>(written));
    }
  }
  constexpr mode_t readable_by_all = 0644;
  // A file that was there keeps its mode; a new one gets the usual.
  struct stat old {};
  const bool there = ::stat(path.c_str(), &old) == 0;
  if (::fchmod(file.get(), there ? old.st_mode & 07777U : readable_by_all) != 0) {
    return give_up("set the mode of");
  }
  if (::fsync(file.get()) != 0) return give_up("sync");
  // link refuses an existing name, rename takes its place.
  if (existing == Existing::refuse) {
    if (::link(temporary.c_str(), path.c_str()) != 0) return give_up("write");
    ::unlink(temporary.c_str());
  } else if (::rename(temporary.c_str(), path.c_str()) != 0) {
    return give_up("replace");
  }
  const Descriptor directory{
      ::open(folder.empty() ? "." : folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
  if (directory.get() >= 0) ::fsync(directory.get());
  return {};
}

}  // namespace

}  // namespace pipebeat::job
