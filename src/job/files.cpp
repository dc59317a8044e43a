#include "job/files.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <thread>
#include <utility>

namespace pipebeat::job {

namespace {

constexpr std::size_t largest_file = 64U << 20U;
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

std::string path_in(const std::string& folder, std::string_view name) {
  return (std::filesystem::path{folder} / name).string();
}

Result<std::string> read_file(const std::string& path) {
  const Descriptor file{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK)};
  if (file.get() < 0) return system_failure(path, "open");
  struct stat status{};
  if (::fstat(file.get(), &status) != 0) return system_failure(path, "look at");
  if (!S_ISREG(status.st_mode)) {
    return fail(ErrorCode::unreadable, path + ": not a plain file", "give another folder");
  }
  std::string text;
  std::string block(1U << 16U, '\0');
  for (;;) {
    const ssize_t got = ::read(file.get(), block.data(), block.size());
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return system_failure(path, "read");
    if (got == 0) return text;
    text.append(block.data(), static_cast<std::size_t>(got));
    if (text.size() > largest_file) {
      return fail(ErrorCode::unreadable, path + ": larger than 64 MB",
                  "start a new job, or restore a copy");
    }
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
  const std::string folder = std::filesystem::path{path}.parent_path().string();
  std::string temporary = path + ".XXXXXX";
  const Descriptor file{::mkostemp(temporary.data(), O_CLOEXEC)};
  if (file.get() < 0) return system_failure(path, "write");
  const auto give_up = [&](std::string_view doing) {
    auto failure = system_failure(path, doing);
    ::unlink(temporary.c_str());
    return failure;
  };
  while (!content.empty()) {
    const ssize_t written = ::write(file.get(), content.data(), content.size());
    if (written < 0 && errno == EINTR) continue;
    if (written < 0) return give_up("write");
    content.remove_prefix(static_cast<std::size_t>(written));
  }
  constexpr mode_t readable_by_all = 0644;
  // A file that was there keeps its mode; a new one gets the usual.
  struct stat old{};
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

}  // namespace pipebeat::job
