//! The open line itself: read and written without anybody waiting, or waited for.
//!
//! In: how it is opened; bytes. Out: bytes. Refused: as the system refuses.
//!
//! A line that hears much is set *aside*: nobody is woken by what comes, and who reads it
//! by a beat takes what is there. Watched again, it wakes its reader by itself.

use serialport::{SerialPort as _, SerialPortBuilder};
use std::io;

/// An open line.
#[derive(Debug)]
pub(super) struct Stream(Line);

#[cfg(unix)]
#[derive(Debug)]
enum Line {
    Watched(tokio::io::unix::AsyncFd<mio_serial::SerialStream>),
    Aside(mio_serial::SerialStream),
}

/// Has the runtime told of what comes.
#[cfg(unix)]
#[allow(
    deprecated,
    reason = "the successor is unsafe, because a type may lie about its descriptor; what \
              is asked of it holds: a SerialStream owns its descriptor and keeps it to its end"
)]
fn watch(
    port: mio_serial::SerialStream,
) -> io::Result<tokio::io::unix::AsyncFd<mio_serial::SerialStream>> {
    tokio::io::unix::AsyncFd::new(port)
}

#[cfg(unix)]
impl Stream {
    /// Opens, for ourselves alone. Must be called within a tokio runtime.
    pub(super) fn open(builder: &SerialPortBuilder) -> serialport::Result<Self> {
        let port = mio_serial::SerialStream::open(builder)?;
        // What waits from before has no time of arrival. Not being able to drop it
        // is no reason to refuse the port.
        let _ = port.clear(serialport::ClearBuffer::Input);
        Ok(Self(Line::Watched(watch(port)?)))
    }

    /// Waits for bytes; at the end of the file none. For ever where it is set aside.
    pub(super) async fn read(&self, into: &mut [u8]) -> io::Result<usize> {
        use io::Read as _;
        match &self.0 {
            Line::Watched(port) => {
                let readable = tokio::io::Interest::READABLE;
                port.async_io(readable, |mut port| port.read(into)).await
            }
            Line::Aside(_) => std::future::pending().await,
        }
    }

    /// What is there now; an error of the kind `WouldBlock` where nothing is.
    pub(super) fn read_now(&self, into: &mut [u8]) -> io::Result<usize> {
        use io::Read as _;
        match &self.0 {
            Line::Watched(port) => {
                let mut port = port.get_ref();
                port.read(into)
            }
            Line::Aside(port) => {
                let mut port = port;
                port.read(into)
            }
        }
    }

    /// Hands over as many bytes as the line takes, at least one; waits for room.
    pub(super) async fn write(&self, bytes: &[u8]) -> io::Result<usize> {
        use io::Write as _;
        /// Between two attempts on a line that is set aside.
        const PAUSE: std::time::Duration = std::time::Duration::from_millis(2);
        match &self.0 {
            Line::Watched(port) => {
                let writable = tokio::io::Interest::WRITABLE;
                port.async_io(writable, |mut port| port.write(bytes)).await
            }
            Line::Aside(port) => loop {
                let mut port = port;
                match port.write(bytes) {
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                        tokio::time::sleep(PAUSE).await;
                    }
                    done => return done,
                }
            },
        }
    }

    /// The same line, set aside.
    pub(super) fn aside(self) -> Self {
        match self.0 {
            Line::Watched(port) => Self(Line::Aside(port.into_inner())),
            Line::Aside(_) => self,
        }
    }

    /// The same line, watched.
    ///
    /// # Errors
    ///
    /// Where the system does not watch it any more.
    pub(super) fn watched(self) -> io::Result<Self> {
        Ok(Self(Line::Watched(match self.0 {
            Line::Watched(port) => port,
            Line::Aside(port) => watch(port)?,
        })))
    }

    /// Closes it. The mark "exclusive" stays on a node that somebody else still holds (a
    /// pseudo-terminal) and would lock us out; where the port is gone, taking it away
    /// cannot work and need not.
    pub(super) fn close(self) {
        let mut port = match self.0 {
            Line::Watched(port) => port.into_inner(),
            Line::Aside(port) => port,
        };
        let _ = port.set_exclusive(false);
    }
}

/// Elsewhere a line is always watched, and set aside it is only not asked. Not tested: no
/// such machine was at hand.
#[cfg(not(unix))]
type Line = (
    tokio::sync::Mutex<tokio::io::ReadHalf<tokio_serial::SerialStream>>,
    tokio::sync::Mutex<tokio::io::WriteHalf<tokio_serial::SerialStream>>,
);

#[cfg(not(unix))]
impl Stream {
    pub(super) fn open(builder: &SerialPortBuilder) -> serialport::Result<Self> {
        let port = tokio_serial::SerialStream::open(builder)?;
        let _ = port.clear(serialport::ClearBuffer::Input);
        let (reader, writer) = tokio::io::split(port);
        Ok(Self((
            tokio::sync::Mutex::new(reader),
            tokio::sync::Mutex::new(writer),
        )))
    }

    pub(super) async fn read(&self, into: &mut [u8]) -> io::Result<usize> {
        use tokio::io::AsyncReadExt as _;
        self.0.0.lock().await.read(into).await
    }

    pub(super) fn read_now(&self, into: &mut [u8]) -> io::Result<usize> {
        futures_util::FutureExt::now_or_never(self.read(into))
            .unwrap_or_else(|| Err(io::ErrorKind::WouldBlock.into()))
    }

    pub(super) async fn write(&self, bytes: &[u8]) -> io::Result<usize> {
        use tokio::io::AsyncWriteExt as _;
        self.0.1.lock().await.write(bytes).await
    }

    pub(super) fn aside(self) -> Self {
        self
    }

    pub(super) fn watched(self) -> io::Result<Self> {
        Ok(self)
    }

    pub(super) fn close(self) {}
}
