#include "audio/new_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <utility>

namespace pipebeat::audio {

namespace {

tl::unexpected<Error> write_trouble(const std::string& target, int number) {
  return fail(ErrorCode::write_failed, target + ": can't be written: " + std::strerror(number),
              "check the folder's name and permissions, and that the disk is not full");
}

}  // namespace

NewFile::NewFile(std::string target, std::string temporary, Descriptor file)
    : target_{std::move(target)}, temporary_{std::move(temporary)}, file_{std::move(file)} {}

NewFile::NewFile(NewFile&& other) noexcept
    : target_{std::move(other.target_)},
      temporary_{std::exchange(other.temporary_, {})},
      file_{std::move(other.file_)} {}

NewFile::~NewFile() {
  if (!temporary_.empty()) ::unlink(temporary_.c_str());
}

tl::unexpected<Error> NewFile::trouble(int number) const { return write_trouble(target_, number); }

Result<NewFile> NewFile::create(const std::string& target) {
  struct stat status {};
  const bool there = ::stat(target.c_str(), &status) == 0;
  if (there && S_ISDIR(status.st_mode)) {
    return fail(ErrorCode::write_failed, target + ": it is a folder",
                "name a file in it, for example " + target + "/out");
  }
  if (there && !S_ISREG(status.st_mode)) {
    Descriptor file{::open(target.c_str(), O_WRONLY | O_CLOEXEC)};
    if (!file) return write_trouble(target, errno);
    return NewFile{target, {}, std::move(file)};
  }
  // Through a symbolic link the file it points to is replaced, not the link.
  std::string place = target;
  if (char* real = ::realpath(target.c_str(), nullptr)) {
    place = real;
    std::free(real);
  }
  if (there && ::access(place.c_str(), W_OK) != 0) return write_trouble(target, errno);
  std::string temporary = place + ".XXXXXX";
  Descriptor file{::mkostemp(temporary.data(), O_CLOEXEC)};
  if (!file) return write_trouble(target, errno);
  // mkostemp makes files for their owner alone; this one is to be like any other.
  const mode_t mask = ::umask(0);
  ::umask(mask);
  ::fchmod(file.get(), there ? status.st_mode & 07777u : 0666u & ~mask);
  return NewFile{std::move(place), std::move(temporary), std::move(file)};
}

Result<void> NewFile::write(std::span<const char> bytes) {
  while (!bytes.empty()) {
    const ssize_t put = ::write(file_.get(), bytes.data(), bytes.size());
    if (put < 0 && errno == EINTR) continue;
    if (put <= 0) return trouble(put < 0 ? errno : ENOSPC);
    bytes = bytes.subspan(static_cast<std::size_t>(put));
  }
  return {};
}

Result<void> NewFile::write_at(std::int64_t offset, std::span<const char> bytes) {
  while (!bytes.empty()) {
    const ssize_t put = ::pwrite(file_.get(), bytes.data(), bytes.size(), offset);
    if (put < 0 && errno == EINTR) continue;
    if (put <= 0) return trouble(put < 0 ? errno : ENOSPC);
    offset += put;
    bytes = bytes.subspan(static_cast<std::size_t>(put));
  }
  return {};
}

Result<void> NewFile::commit() {
  if (!temporary_.empty() && ::fsync(file_.get()) != 0) return trouble(errno);
  if (::close(file_.release()) != 0) return trouble(errno);
  if (temporary_.empty()) return {};
  if (::rename(temporary_.c_str(), target_.c_str()) != 0) return trouble(errno);
  temporary_.clear();
  return {};
}

Result<void> write_file(const std::string& target, std::string_view text) {
  auto file = NewFile::create(target);
  if (!file) return tl::unexpected(file.error());
  if (auto written = file->write(text); !written) return written;
  return file->commit();
}

}  // namespace pipebeat::audio
